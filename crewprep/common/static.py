"""Static files under hashed names, module imports included."""

from whitenoise.storage import CompressedManifestStaticFilesStorage


class StaticStorage(CompressedManifestStaticFilesStorage):  # type: ignore[misc]  # whitenoise ships no types
    """Hashed, compressed names; relative imports between our ES modules are rewritten to them."""

    support_js_module_import_aggregation = True
