"""Template tags, named in the settings under ``libraries``."""
