"""A module that receives requests reads and writes no table itself: it goes through doors, selectors and services."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
OUTSIDE_THE_CREWS = {"AuthToken"}
"""Tables of other people's apps that hold nothing of a crew."""


def tables_touched(source: str) -> list[str]:
    """Where a module that receives requests names a manager or the framework's short cuts past the doors."""
    tree = ast.parse(source)
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)]
    if not any(argument.arg == "request" for function in functions for argument in function.args.args):
        return []
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and node.attr in {"objects", "_default_manager", "_base_manager"}:
            holder = ast.unparse(node.value)
            if holder not in OUTSIDE_THE_CREWS:
                found.append(f"line {node.lineno}: {holder}.{node.attr}")
        if isinstance(node, ast.Name) and node.id in {"get_object_or_404", "get_list_or_404"}:
            found.append(f"line {node.lineno}: {node.id}")
    return found


def test_views_touch_no_tables() -> None:
    modules = [path for part in ("web", "api") for path in sorted((ROOT / "crewprep" / part).rglob("*.py"))]
    assert len(modules) > 20
    found = {str(path.relative_to(ROOT)): tables_touched(path.read_text(encoding="utf-8")) for path in modules}
    assert {path: lines for path, lines in found.items() if lines} == {}


@pytest.mark.parametrize(
    "body",
    ["return Track.objects.get(pk=pk)", "return get_object_or_404(Track, pk=pk)", "return Track._base_manager.all()"],
)
def test_a_view_that_touches_one_is_found(body: str) -> None:
    assert tables_touched(f"def view(request, pk):\n    {body}\n")
    assert not tables_touched("def view(request, member, pk):\n    return track_for(member, pk)\n")
