"""What a file may be before anything else is asked of it (standard library only).

The figures are the product's own; OWASP ASVS 5.0 asks that such limits be stated and enforced. The documentation
and the upload page read them from here.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Limits:
    """Bounds of an audio file; the defaults hold everywhere unless an operator sets others.

    ``max_tag_bytes`` bounds all that is stored beside the audio (tags, pictures, cue points).
    """

    max_bytes: int = 200_000_000
    min_duration_s: float = 1.0
    max_duration_s: float = 7_200.0
    max_channels: int = 8
    min_sample_rate: int = 8_000
    max_sample_rate: int = 192_000
    max_tag_bytes: int = 16 * 1024 * 1024
