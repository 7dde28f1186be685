"""Static files under hashed names, module imports included."""

from __future__ import annotations

from typing import Any

from whitenoise.storage import CompressedManifestStaticFilesStorage


class StaticStorage(CompressedManifestStaticFilesStorage):  # type: ignore[misc]  # whitenoise ships no types
    """Hashed, compressed names; relative imports between our own ES modules are rewritten to them.

    Scripts of libraries are served as they come: what looks like an import in their comments is none of our files.
    """

    support_js_module_import_aggregation = True

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._patterns["crewprep/js/*"] = self._patterns.pop("*.js")
