"""The OpenAPI document is the code's, and is served as it lies in the repository."""

from __future__ import annotations

import yaml
from django.core.management import call_command
from django.test import Client
from jsonschema import Draft202012Validator

from crewprep.api.schema import DOCUMENT
from tests.api.contract import document


def test_the_document_is_that_of_the_code(tmp_path, capsys) -> None:
    fresh = tmp_path / "openapi.yml"
    call_command("spectacular", file=str(fresh), validate=True, fail_on_warn=True)
    assert fresh.read_text() == DOCUMENT.read_text(), (
        "Run: python manage.py spectacular --file crewprep/api/openapi.yml --validate --fail-on-warn"
    )
    assert "Warnings: " not in capsys.readouterr().err


def test_the_document_is_served(client: Client) -> None:
    answer = client.get("/api/v1/schema/")
    assert answer.headers["Content-Type"] == "application/vnd.oai.openapi; charset=utf-8"
    assert yaml.safe_load(answer.content) == document()


def test_every_schema_in_it_is_one() -> None:
    for name, schema in document()["components"]["schemas"].items():
        Draft202012Validator.check_schema(schema)
        assert schema.get("type") or schema.get("enum"), name


def test_every_operation_has_a_name_and_says_what_goes_wrong() -> None:
    operations = [operation for path in document()["paths"].values() for operation in path.values()]
    names = [operation["operationId"] for operation in operations]
    assert len(names) == len(set(names)) >= 25
    for operation in operations:
        assert "default" in operation["responses"]
        assert operation["description"]


def test_the_page_to_read_it_needs_no_inline_script(client: Client) -> None:
    page = client.get("/api/docs/", headers={"Accept": "text/html"})
    text = page.content.decode()
    assert page.status_code == 200
    assert "<style" not in text
    assert text.count("<script") == text.count("<script src=")
    assert "unsafe" not in page.headers["Content-Security-Policy"]
    script = client.get("/api/docs/?script=")
    assert script.headers["Content-Type"] == "application/javascript"
    assert "/api/v1/schema/" in script.content.decode()
