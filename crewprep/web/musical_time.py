"""Musical time for pages; it lives in ``crewprep.analysis.musical_time``, where exports read it too."""

from crewprep.analysis.musical_time import TIMED_ROW_S, MusicalTime, clock, parse_clock

__all__ = ["TIMED_ROW_S", "MusicalTime", "clock", "parse_clock"]
