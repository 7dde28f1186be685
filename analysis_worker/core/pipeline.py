"""From samples to facts: the order in which a track is analysed.

Loudness and true peak are measured on the canonical decode as it is; all else on its mono mix (``mix``: at 44.1 kHz,
and at a half and a quarter of that for what needs no more). The grid comes first, then what stands on it. Nothing here
depends on a clock, on chance or on an earlier track. Silence, clicks and noise are analysed like music and simply have
no grid, key or sections.

Memory: the decode is read in blocks, twice, and may be mapped from a file; only the mix and curves of some hundred
values a second are held.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis_worker.core.audio import ANALYSIS_RATE, Audio
from analysis_worker.core.bars import Bars, estimate_bars
from analysis_worker.core.contour import draw_contour
from analysis_worker.core.drops import compare_drops
from analysis_worker.core.energy import bar_energy
from analysis_worker.core.features import Frames, bar_edges, bar_features, frames_of
from analysis_worker.core.grid import Grid, estimate_grid
from analysis_worker.core.key import estimate_keys
from analysis_worker.core.loudness import measure_blocks
from analysis_worker.core.mix import HALF_RATE, QUARTER_RATE, mix_of
from analysis_worker.core.onsets import OnsetBands, onset_bands
from analysis_worker.core.pitches import Pitches, pitches_of
from analysis_worker.core.results import ENGINE_VERSION, Drop, Loop, Section, TrackAnalysis, VoiceRegion
from analysis_worker.core.seams import bar_lines, find_loops
from analysis_worker.core.sections import find_sections
from analysis_worker.core.units import all_to_us, to_us
from analysis_worker.core.voice import find_voice
from analysis_worker.core.width import Width, width_of

STAGES = ("level", "beats", "bars", "sections", "key")
"""What ``progress`` is called with, in this order."""


def analyse(audio: Audio, *, progress: Callable[[str], None] | None = None) -> TrackAnalysis:
    """Analyse one track.

    ``audio`` is the canonical decode, shape (frames, channels) at its own rate. ``progress`` hears the name of each
    stage as it starts.
    """
    tell = progress or (lambda stage: None)
    duration_s = audio.duration_s
    tell("level")
    loudness = measure_blocks(audio.blocks(), audio.sample_rate, audio.samples.shape[1])
    mix = mix_of(audio)
    mono = mix.full
    tell("beats")
    bands = onset_bands(mono)
    grid = estimate_grid(bands, duration_s)
    tell("bars")
    bars = estimate_bars(bands, grid)
    tell("sections")
    frames = frames_of(mix.half, HALF_RATE)
    edges_s = bar_edges(grid.beats_s, bars.downbeats, bars.beats_per_bar, duration_s)
    voice = find_voice(mix.half, HALF_RATE, edges_s, bars.beats_per_bar)
    pitches = pitches_of(mix.quarter, QUARTER_RATE)
    heard = _Heard(mono, frames, loudness.power, bands, width_of(audio), pitches, voice)
    sections, drops, energy, loops = _lay_on_grid(heard, edges_s, grid, bars)
    tell("key")
    keys = estimate_keys(pitches, duration_s, grid.beats_s[bars.phrases])
    return TrackAnalysis(
        engine=ENGINE_VERSION,
        duration_us=to_us(duration_s),
        tempo_bpm=grid.tempo_bpm,
        tempo_candidates=grid.candidates,
        readings=grid.readings,
        metre_confidence=_share(grid.grouping.confidence),
        steady=grid.steady,
        tempo_segments=grid.segments,
        grid_confidence=_share(grid.confidence),
        beats_per_bar=bars.beats_per_bar,
        pickup_beats=bars.first_downbeat,
        beats_us=all_to_us(grid.beats_s),
        downbeats_us=all_to_us(grid.beats_s[bars.downbeats]),
        downbeat_confidence=_share(bars.confidence),
        phrases_us=all_to_us(grid.beats_s[bars.phrases]),
        phrase_confidence=_share(bars.phrase_confidence),
        sections=sections,
        drops=drops,
        key=keys.main,
        keys=keys.spans,
        loudness_lufs=_rounded(loudness.integrated_lufs),
        true_peak_dbtp=_rounded(loudness.true_peak_dbtp),
        short_term_max_lufs=_rounded(loudness.short_term_max_lufs),
        loudness_range_lu=_rounded(loudness.range_lu),
        energy=energy,
        contour=draw_contour(frames, loudness.power, bands, grid.beats_s, duration_s),
        loops=loops,
        voice=voice,
    )


_Laid = tuple[tuple[Section, ...], tuple[Drop, ...], tuple[float, ...], tuple[Loop, ...]]


@dataclass(frozen=True, slots=True, eq=False)
class _Heard:
    """What was measured along the clock, before it is laid on bars."""

    mono: NDArray[np.float32]
    frames: Frames
    power: NDArray[np.float64]
    bands: OnsetBands
    width: Width
    pitches: Pitches
    voice: tuple[VoiceRegion, ...]


def _lay_on_grid(heard: _Heard, edges_s: NDArray[np.float64], grid: Grid, bars: Bars) -> _Laid:
    """Everything that is told in beats and bars."""
    if len(grid.beats_s) < 2 or not len(bars.downbeats):
        return (), (), (), ()
    figures = bar_features(heard.frames, heard.power, heard.bands, edges_s, bars.beats_per_bar)
    phrase_bars = np.searchsorted(bars.downbeats, bars.phrases)
    spans = find_sections(figures, phrase_bars, bars.section_odds)
    energy = bar_energy(figures)
    sections = tuple(
        Section(
            start_us=to_us(edges_s[span.start]),
            end_us=to_us(edges_s[span.end]),
            role=span.role,
            confidence=span.confidence,
            energy=round(float(np.mean(energy[span.start : span.end])), 3),
            reason=span.reason,
        )
        for span in spans
    )
    lines = bar_lines(heard.mono, ANALYSIS_RATE, heard.frames, edges_s)
    middles_us = 1e6 * (edges_s[:-1] + edges_s[1:]) / 2
    sung = np.zeros(len(middles_us), dtype=bool)
    for region in heard.voice:
        sung |= (middles_us >= region.start_us) & (middles_us < region.end_us)
    return (
        sections,
        compare_drops(spans, figures, heard.power, heard.width, heard.pitches),
        tuple(round(float(value), 3) for value in energy),
        find_loops(lines, spans, energy, edges_s, sung),
    )


def _share(value: float) -> float:
    return round(float(min(max(value, 0.0), 1.0)), 3)


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)
