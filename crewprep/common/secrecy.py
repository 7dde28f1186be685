"""What may not stand in a log: addresses that open something hold a token, and whoever reads it could use it."""

from __future__ import annotations

import logging

HIDDEN = "(hidden)"


class HideTokens(logging.Filter):
    """Takes the tokens out of what Django says of a request: the parts of its address that views know by a name which
    ends in ``token``."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Change the record where need be; never hold it back."""
        match = getattr(getattr(record, "request", None), "resolver_match", None)
        for name, value in match.kwargs.items() if match else ():
            if name.endswith("token") and str(value) in record.getMessage():
                record.msg, record.args = record.getMessage().replace(str(value), HIDDEN), ()
        return True
