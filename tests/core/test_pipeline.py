"""The whole analysis on one generated track with exact truth, and the parts that only the pipeline has."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from analysis_worker.core.audio import Audio
from analysis_worker.core.convention import ConventionRules
from analysis_worker.core.draft import draft_sheet
from analysis_worker.core.pipeline import STAGES, analyse
from analysis_worker.core.results import TrackAnalysis
from fixtures.generate import TrackSpec, Truth, make_track
from fixtures.spec import Layout

CONVENTION = Path(__file__).parents[2] / "fixtures" / "convention" / "eight.json"
LAYOUT: Layout = (
    ("intro", 8),
    ("breakdown", 8),
    ("build-up", 8),
    ("drop", 16),
    ("breakdown", 8),
    ("build-up", 8),
    ("drop", 16),
    ("outro", 8),
)


@pytest.fixture(scope="module")
def analysed() -> tuple[TrackAnalysis, Truth, list[str]]:
    samples, truth = make_track(TrackSpec(seed=3, layout=LAYOUT, strongest_drop=2, key="G minor", tempo_bpm=126.5))
    stages: list[str] = []
    return analyse(Audio(samples, 44_100), progress=stages.append), truth, stages


def test_finds_the_sections_that_were_composed(analysed):
    analysis, truth, _ = analysed
    # The start of the outro is a matter of taste when the groove goes on; everything up to the last drop is not.
    composed = [(section.start_s, section.role) for section in truth.sections if section.role != "outro"]
    found = [(section.start_us / 1e6, section.role) for section in analysis.sections][: len(composed)]
    assert [role for _, role in found] == [role for _, role in composed]
    assert [start for start, _ in found] == pytest.approx([start for start, _ in composed], abs=0.02)


def test_finds_the_strongest_drop_the_key_and_the_tempo(analysed):
    analysis, truth, _ = analysed
    strongest = max(analysis.drops, key=lambda drop: drop.strength)
    assert strongest.start_us / 1e6 == pytest.approx(truth.strongest_drop_s, abs=0.02)
    assert analysis.tempo_bpm == pytest.approx(truth.tempo_bpm, abs=0.01)
    assert analysis.key is not None
    assert truth.key in (analysis.key.name, analysis.key.runner_up)


def test_facts_fit_each_other(analysed):
    analysis, _, stages = analysed
    assert stages == list(STAGES)
    assert len(analysis.energy) == len(analysis.downbeats_us)
    assert set(analysis.downbeats_us) <= set(analysis.beats_us)
    contour = analysis.contour
    assert len(contour.low) == len(contour.loudness) == len(contour.onsets) == 16 * (len(analysis.beats_us) - 1)
    lines = {*analysis.downbeats_us, analysis.sections[-1].end_us}
    assert {section.start_us for section in analysis.sections} <= set(analysis.downbeats_us)
    assert {section.end_us for section in analysis.sections} <= lines
    assert all(loop.start_us in lines and loop.end_us in lines for loop in analysis.loops)
    assert analysis.sections[-1].end_us <= analysis.duration_us


def test_stored_facts_read_back_the_same(analysed):
    analysis, _, _ = analysed
    assert TrackAnalysis.from_facts(json.loads(json.dumps(analysis.to_facts()))) == analysis


def test_drafts_a_sheet_on_the_truth(analysed):
    analysis, truth, _ = analysed
    draft = draft_sheet(analysis, ConventionRules.from_document(json.loads(CONVENTION.read_text())))
    starts = {marker.slot: marker.start_us / 1e6 for marker in draft.markers}
    by_role = {
        role: [part.start_s for part in truth.sections if part.role == role] for role in ("breakdown", "build-up")
    }
    expected = {
        1: truth.downbeats_s[0],
        2: by_role["breakdown"][0],
        3: by_role["build-up"][0],
        4: truth.drops_s[0],
        5: by_role["breakdown"][1],
        6: truth.strongest_drop_s,
    }
    assert {number: starts[number] for number in expected} == pytest.approx(expected, abs=0.02)
    assert [empty.slot for empty in draft.empty] == [7]
    assert starts[8] >= truth.drops_s[-1]
