"""Static files under hashed names, module imports included, and style sheets joined to one file a set."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django.core.files.base import ContentFile
from whitenoise.storage import CompressedManifestStaticFilesStorage

_ROWS = ("rows", "markers", "places", "player")
SHEETS: dict[str, tuple[str, ...]] = {
    "site": ("tokens", "base", "controls", "components"),
    "track": (*_ROWS, "track"),
    "review": (*_ROWS, "review"),
    "print": ("rows", "markers", "places", "print"),
}
"""Sets of style sheets in the order in which they apply, each a file of ``static/crewprep/css``."""


def sheet_path(name: str) -> str:
    """Path of one style sheet."""
    return f"crewprep/css/{name}.css"


def joined_path(name: str) -> str:
    """Path of a joined set."""
    return f"crewprep/css/{name}.joined.css"


class StaticStorage(CompressedManifestStaticFilesStorage):  # type: ignore[misc]  # whitenoise ships no types
    """Hashed, compressed names; relative imports between our own ES modules are rewritten to them.

    A page asks for a set of style sheets as one file, since it is not drawn before the last one is there. Scripts of
    libraries are served as they come: what looks like an import in their comments is none of our files.
    """

    support_js_module_import_aggregation = True
    joins_sheets = True

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._patterns["crewprep/js/*"] = self._patterns.pop("*.js")

    def post_process(self, paths: dict[str, Any], dry_run: bool = False, **options: Any) -> Iterator[Any]:
        """Join the sets, then hash and compress everything."""
        for name, parts in SHEETS.items():
            texts = []
            for storage, path in (paths[sheet_path(part)] for part in parts):
                with storage.open(path) as file:
                    texts.append(file.read())
            if not dry_run:
                self.delete(joined_path(name))
                self._save(joined_path(name), ContentFile(b"\n".join(texts)))
                paths[joined_path(name)] = (self, joined_path(name))
        yield from super().post_process(paths, dry_run, **options)
