"""Reading bodies."""

from __future__ import annotations

import json
from typing import Any

from rest_framework.exceptions import ParseError
from rest_framework.parsers import JSONParser

from crewprep.api.errors import TooLarge

MAX_JSON_BYTES = 1_000_000


class BoundedJSONParser(JSONParser):
    """JSON of at most ``MAX_JSON_BYTES``; nesting too deep to read is a malformed body like any other."""

    def parse(self, stream: Any, media_type: str | None = None, parser_context: Any = None) -> Any:
        """Read, or raise ``TooLarge`` or ``ParseError``."""
        content = stream.read(MAX_JSON_BYTES + 1)
        if len(content) > MAX_JSON_BYTES:
            raise TooLarge("request:too-large", limit="1 MB")
        try:
            return json.loads(content.decode("utf-8"), parse_constant=_refuse_constant)
        except (ValueError, RecursionError) as error:
            raise ParseError("the body is not JSON in UTF-8.") from error


def _refuse_constant(name: str) -> None:
    raise ValueError(name)
