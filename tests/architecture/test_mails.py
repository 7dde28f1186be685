"""Every mail leaves through one module, which mails notices to confirmed addresses alone and links to typed ones."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
WAYS = {
    "EmailMessage", "EmailMultiAlternatives", "send_mail", "send_mass_mail", "mail_admins", "mail_managers",
    "email_user", "PasswordResetForm", "PasswordResetView", "SMTP", "SMTP_SSL",
}  # fmt: skip
WRITES_MAILS = {f"crewprep/notices/{name}.py" for name in ("sending", "links", "addresses", "forgotten")}
SETS_ADDRESSES = {
    "crewprep/notices/addresses.py",
    "crewprep/accounts/closing.py",
    "crewprep/management/commands/seed_demo.py",
}
ASKING = {"Q", "F", "filter", "exclude", "get"}


def names_in(source: str) -> set[str]:
    """Every name, attribute, import and keyword of a module."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        match node:
            case ast.Name(id=name) | ast.Attribute(attr=name) | ast.alias(name=name) | ast.keyword(arg=str(name)):
                found.add(name)
    return found


def sets(source: str) -> set[str]:
    """The names that a module assigns to on an object, or hands over by keyword to anything but a question."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store):
            found.add(node.attr)
        if isinstance(node, ast.Call) and ast.unparse(node.func).rpartition(".")[2] not in ASKING:
            found |= {keyword.arg for keyword in node.keywords if keyword.arg}
    return found


def modules() -> dict[str, str]:
    paths = [path for part in ("crewprep", "analysis_worker") for path in (ROOT / part).rglob("*.py")]
    found = {str(path.relative_to(ROOT)): path.read_text(encoding="utf-8") for path in paths}
    return {path: text for path, text in found.items() if "/migrations/" not in path}


def test_mails_leave_through_one_module() -> None:
    assert {path for path, text in modules().items() if names_in(text) & WAYS} == WRITES_MAILS


def test_only_a_press_confirms() -> None:
    assert {path for path, text in modules().items() if "confirmed_email" in sets(text)} == SETS_ADDRESSES


@pytest.mark.parametrize(
    "line", ["user.email_user('Hello', 'x')", "from django.core.mail import send_mail", "mail.send_mass_mail([])"]
)
def test_another_way_out_is_found(line: str) -> None:
    assert names_in(line) & WAYS


@pytest.mark.parametrize("line", ["user.confirmed_email = typed", "users.update(confirmed_email=typed)"])
def test_another_way_to_confirm_is_found(line: str) -> None:
    assert "confirmed_email" in sets(line)
    assert "confirmed_email" not in sets("to = user.confirmed_email or users.exclude(confirmed_email='')")
