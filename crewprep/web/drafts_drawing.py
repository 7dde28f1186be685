"""Figures on drafts as words and as lines in drawings that are 100 units wide: one a percent."""

from __future__ import annotations

from dataclasses import dataclass

from crewprep.onboarding.draft_figures import Band, SlotFigures, Tally
from crewprep.onboarding.figures import Share
from crewprep.web.convention_words import place_words
from crewprep.web.rows import certainty
from crewprep.web.words import percent


@dataclass(frozen=True, slots=True)
class ShareWords:
    """A share as people say it, and the percents of its value and its interval for a drawing."""

    counts: str
    share: str
    interval: str
    at: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class BandLine:
    """A band of confidence: what it is called, what was drafted in it, and what became of that."""

    words: str
    certainty: str
    mean: str
    mean_at: float
    kept: ShareWords
    tally: Tally
    distances: str


@dataclass(frozen=True, slots=True)
class SlotLine:
    """A slot function with what became of its drafts; shares are None where there was nothing to share out."""

    name: str
    weak: bool
    kept: ShareWords | None
    near: ShareWords | None
    moved: ShareWords | None
    phrases: ShareWords | None
    dropped: ShareWords | None
    added: ShareWords | None
    distances: str
    bands: tuple[BandLine, ...]


def slot_line(one: SlotFigures) -> SlotLine:
    """A line of the table."""
    tally = one.tally
    return SlotLine(
        name=place_words(one.function, one.which),
        weak=tally.weak,
        kept=share_words(tally.kept_share),
        near=share_words(tally.near_share),
        moved=share_words(tally.moved_share),
        phrases=share_words(tally.phrases_share),
        dropped=share_words(tally.dropped_share),
        added=share_words(tally.added_share),
        distances=distance_words(tally),
        bands=tuple(band_line(band) for band in one.bands),
    )


def band_line(band: Band) -> BandLine:
    """A line of a table of bands; of a band in which something was drafted."""
    kept = share_words(band.tally.kept_share)
    mean = band.tally.confidence
    assert kept is not None  # there is no band without drafts
    assert mean is not None
    return BandLine(
        words=_band_words(band.low, band.high),
        certainty=certainty(band.low),
        mean=percent(mean),
        mean_at=round(mean * 100, 1),
        kept=kept,
        tally=band.tally,
        distances=distance_words(band.tally),
    )


def share_words(share: Share) -> ShareWords | None:
    """``9 of 31``, ``29 %``, ``16 to 47 %``; None where nothing was tried."""
    if share.value is None:
        return None
    between = share.interval
    return ShareWords(
        counts=f"{share.successes} of {share.trials}",
        share=percent(share.value),
        interval=f"{round(between.low * 100)} to {round(between.high * 100)} %",
        at=round(share.value * 100, 1),
        low=round(between.low * 100, 1),
        high=round(between.high * 100, 1),
    )


def distance_words(tally: Tally) -> str:
    """``half by 2 beats at most, nine of ten by 32``; empty where none was moved."""
    if tally.median_beats is None or tally.ninetieth_beats is None:
        return ""
    half, most = tally.median_beats, tally.ninetieth_beats
    if half == most:
        return f"most by {_beats(most)} at most"
    return f"half by {_beats(half)} at most, nine of ten by {most:g}"


def _band_words(low: float, high: float) -> str:
    if low == 0:
        return f"below {high * 100:.0f} %"
    return f"{low * 100:.0f} to {'' if high == 1 else 'below '}{high * 100:.0f} %"


def _beats(beats: float) -> str:
    return f"{beats:g} {'beat' if beats <= 1 else 'beats'}"
