"""The record is never altered, so it must hold no name that somebody may want erased: it names people by id."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
NAMES = {"username", "display_name", "first_name", "last_name", "email", "get_username", "get_full_name"}
PEOPLE = {"user", "holder", "actor", "member", "person", "by", "to", "other", "lead"}


def names_recorded(source: str) -> list[str]:
    """Where a call of ``record`` is given the name of a person: an attribute that is one, or a person as text."""
    found = []
    for call in ast.walk(ast.parse(source)):
        if not (isinstance(call, ast.Call) and ast.unparse(call.func).split(".")[-1] == "record"):
            continue
        for keyword in call.keywords:
            for node in ast.walk(keyword.value):
                named = isinstance(node, ast.Attribute) and node.attr in NAMES
                spoken = isinstance(node, ast.Call) and ast.unparse(node.func) == "str" and _person(node.args[0])
                spoken = spoken or (isinstance(node, ast.FormattedValue) and _person(node.value))
                if named or spoken:
                    found.append(f"line {call.lineno}: {keyword.arg}")
    return found


def _person(node: ast.expr) -> bool:
    return ast.unparse(node).split(".")[-1].removesuffix("_by") in PEOPLE | {"proposed", "changed", "reviewed", "made"}


def test_no_call_records_a_name() -> None:
    modules = [path for part in ("crewprep", "analysis_worker") for path in sorted((ROOT / part).rglob("*.py"))]
    found = {str(path.relative_to(ROOT)): names_recorded(path.read_text(encoding="utf-8")) for path in modules}
    assert {path: lines for path, lines in found.items() if lines} == {}


@pytest.mark.parametrize(
    "given",
    ["user=member.user.username", "to=str(to.user)", "by=f'{proposal.proposed_by}'", "who=person.display_name"],
)
def test_a_name_is_found(given: str) -> None:
    assert names_recorded(f"record(actor=a, verb='x', subject=s, {given})")
    assert not names_recorded("record(actor=member.user, verb='x', subject=s, person=to.user_id, role=str(to.role))")
