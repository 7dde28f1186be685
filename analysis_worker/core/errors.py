"""Codes."""
MESSAGES: dict[str, str] = {}
