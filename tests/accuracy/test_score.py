"""The scorer: full marks for the truth, and the right mark lost for each kind of mistake."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from fixtures.generate import SLIPPED_LAYOUT, TrackSpec, truth_for
from tests.accuracy import material, report, score
from tests.accuracy.estimate import Estimate

SLOTS = [
    {"number": 1, "function": "mix-in", "which": "first", "lead_bars": 0},
    {"number": 2, "function": "breakdown", "which": "second", "lead_bars": 0},
    {"number": 3, "function": "drop", "which": "strongest", "lead_bars": 1},
    {"number": 4, "function": "riff", "which": "first", "lead_bars": 0},
    {"number": 5, "function": "exit loop", "which": "first", "lead_bars": 0, "loop_bars": 8},
    {"number": 6, "function": "breakdown", "which": "last", "lead_bars": 0},
]
SPEC = TrackSpec(tempo_bpm=126.5, layout=SLIPPED_LAYOUT, key="A minor", strongest_drop=1)
TRUTH = truth_for(SPEC)
BEAT_S = 60 / 126.5
REFERENCE = material.Reference(TRUTH.tempo_bpm, TRUTH.steady, TRUTH.beats_s, TRUTH.downbeats_s, TRUTH, None)


@pytest.fixture(autouse=True)
def _convention(monkeypatch, tmp_path):
    path = tmp_path / "convention.json"
    path.write_text(json.dumps({"name": "test", "slots": SLOTS}))
    monkeypatch.setattr(score, "CONVENTION", path)


def perfect(**changes) -> Estimate:
    truth = TRUTH
    assert truth.exit_loop is not None
    answer = Estimate(
        tempo_bpm=truth.tempo_bpm,
        candidates_bpm=[truth.tempo_bpm],
        steady=True,
        beats_s=truth.beats_s,
        downbeats_s=truth.downbeats_s,
        phrases_s=truth.phrases_s,
        sections=[(part.start_s, part.end_s, part.role) for part in truth.sections],
        drops_s=[(truth.drops_s[0], 0.9), (truth.drops_s[1], 0.5)],
        key="A minor",
        draft_s={
            1: truth.beats_s[0],
            2: truth.sections[4].start_s,
            3: truth.drops_s[0] - 4 * BEAT_S,
            5: truth.exit_loop[0],
            6: truth.sections[4].start_s,
        },
    )
    return replace(answer, **changes)


def marks(answer: Estimate) -> dict[str, float]:
    return {key: value for key, value in score.score(answer, REFERENCE).items() if value is not None}


def test_the_truth_gets_full_marks():
    full = marks(perfect())
    offsets = {key for key in full if key.endswith("_ms")}
    assert {full[key] for key in offsets} == {0.0}
    assert {key: value for key, value in full.items() if key not in offsets and value != 1.0} == {}
    assert {"tempo_aside", "beat_f20", "cmlt", "downbeat_phase", "phrase_bars", "boundary_hr05", "drop_f"} <= set(full)


def test_fifteen_milliseconds_late_costs_the_fine_beat_marks_and_shows_as_offset():
    late = marks(perfect(beats_s=TRUTH.beats_s + 0.015))
    assert late["beat_f10"] == 0.0
    assert late["beat_f20"] == late["beat_f70"] == 1.0
    assert late["offset_median_ms"] == pytest.approx(15.0)
    assert late["offset_p95_ms"] == pytest.approx(15.0)


def test_half_the_tempo_is_right_octave_aside_only():
    half = marks(perfect(tempo_bpm=63.25, candidates_bpm=[63.25, 126.5], beats_s=TRUTH.beats_s[::2]))
    assert (half["tempo_aside"], half["tempo_right"], half["octave_right"], half["tempo_top_two"]) == (1, 0, 0, 1)
    assert half["beat_f20"] == pytest.approx(2 / 3, abs=0.01)
    assert half["beat_f20_aside"] > 0.99
    assert half["cmlt"] == 0.0


def test_a_tempo_off_by_six_hundredths_is_wrong():
    assert marks(perfect(tempo_bpm=126.56))["tempo_aside"] == 0.0
    assert marks(perfect(tempo_bpm=126.54))["tempo_aside"] == 1.0


def test_no_answer_gets_no_marks_and_no_error():
    nothing = np.zeros(0)
    blank = Estimate(None, [], False, nothing, nothing, nothing, [], [], None, {})
    none = marks(blank)
    assert {value for key, value in none.items() if not key.endswith("_ms")} == {0.0}


def test_downbeats_one_beat_off_have_the_wrong_phase():
    off = marks(perfect(downbeats_s=TRUTH.beats_s[1::4]))
    assert off["downbeat_phase"] == off["downbeat_f"] == 0.0


def test_phrases_four_bars_off_number_every_bar_wrongly():
    assert marks(perfect(phrases_s=TRUTH.phrases_s + 16 * BEAT_S))["phrase_bars"] < 0.3
    steady_lines = TRUTH.downbeats_s[::8]
    kept = marks(perfect(phrases_s=steady_lines))["phrase_bars"]
    # A grid that never slips is right for the 28 bars up to the first slip and wherever two slips add up to 8 bars.
    assert 0.3 < kept < 0.9


def test_drops_count_within_a_bar():
    first, second = TRUTH.drops_s
    assert marks(perfect(drops_s=[(first + 3 * BEAT_S, 0.9), (second, 0.5)]))["drop_f"] == 1.0
    assert marks(perfect(drops_s=[(first + 6 * BEAT_S, 0.9), (second, 0.5)]))["drop_f"] == 0.5
    assert marks(perfect(drops_s=[(first, 0.9)]))["drop_f"] == pytest.approx(2 / 3)
    assert marks(perfect(drops_s=[(first, 0.4), (second, 0.5)]))["strongest_right"] == 0.0


def test_boundaries_and_roles_are_marked_apart():
    renamed = [(start, end, "bridge") for start, end, _ in perfect().sections or []]
    answer = marks(perfect(sections=renamed))
    assert answer["boundary_hr05"] == 1.0
    assert answer["role_time"] == 0.0
    moved = [(start + 1.0, end + 1.0, role) for start, end, role in perfect().sections or []]
    answer = marks(perfect(sections=moved))
    assert answer["boundary_hr05"] == 0.0
    assert 0.9 < answer["role_time"] < 1.0


@pytest.mark.parametrize(("said", "mark"), [("A minor", 1.0), ("E minor", 0.5), ("C major", 0.3), ("A major", 0.2)])
def test_keys_are_weighted_as_mir_eval_has_it(said, mark):
    """MIREX weights: fifth 0.5, relative 0.3, parallel 0.2."""
    assert marks(perfect(key=said))["key_weighted"] == mark


def test_a_marker_counts_to_a_quarter_of_a_beat():
    draft = dict(perfect().draft_s or {})
    draft[1] += 0.24 * BEAT_S
    assert marks(perfect(draft_s=draft))["draft_slots"] == 1.0
    draft[1] += 0.02 * BEAT_S
    answer = marks(perfect(draft_s=draft))
    assert answer["slot_1"] == 0.0
    assert answer["draft_slots"] == pytest.approx(4 / 5)
    del draft[2]
    assert marks(perfect(draft_s=draft))["slot_2"] == 0.0


def test_an_exit_loop_may_start_at_any_bar_of_the_outro_from_which_it_fits():
    """The outro has 16 bars and the loop 8: bars 0 to 8 are right, bar 9 and places between bars are not."""
    assert TRUTH.exit_loop is not None
    start = TRUTH.exit_loop[0]
    for bars, right in ((0, True), (8, True), (9, False), (-1, False), (2.25, False)):
        draft = dict(perfect().draft_s or {}) | {5: start + bars * 4 * BEAT_S}
        assert score.draft_hits(draft, TRUTH)[5] is right


def test_a_mix_in_may_wait_for_the_drums():
    truth = truth_for(replace(SPEC, drumless_intro_bars=4))
    first = float(truth.beats_s[0])
    for bars, right in ((0, True), (4, True), (2, False)):
        assert score.draft_hits({1: first + bars * 4 * BEAT_S}, truth)[1] is right


def test_a_slot_without_its_event_is_right_when_empty():
    truth = truth_for(TrackSpec(layout=(("intro", 8), ("drop", 8), ("outro", 8)), strongest_drop=1))
    assert score.draft_hits({}, truth)[2]
    assert not score.draft_hits({2: 4.0}, truth)[2]


def test_the_summary_knows_which_goals_are_met():
    rows = [
        report.Row("a", "synthetic", 126.5, 126.5, score.score(perfect(), REFERENCE), {"beat_f20": 0.4}, 1.0),
        report.Row("b", "synthetic", 126.5, 126.6, score.score(perfect(tempo_bpm=126.6), REFERENCE), None, 1.0),
    ]
    figures = report.summary(rows)["synthetic"]["figures"]
    assert figures["tempo_aside"]["value"] == 0.5
    assert figures["tempo_aside"]["met"] is False
    assert figures["beat_f20"]["met"] is True
    assert figures["beat_f20"]["baseline"] == 0.4
    assert figures["offset_p95_ms"]["met"] is True


def test_the_material_is_varied_and_always_the_same():
    tracks = material.synthetic()
    specs = [track.spec for track in tracks if track.spec]
    assert len(specs) >= 40
    assert specs == [track.spec for track in material.synthetic()]
    assert len({track.name for track in tracks}) == len(tracks)
    lengths = [truth_for(spec).duration_s for spec in specs]
    assert all(110 < length < 260 for length in lengths)
    assert sum(spec.wander > 0 for spec in specs) >= 3
    assert sum(bool(spec.tempo_changes) for spec in specs) >= 3
    assert sum(bool(spec.tempo_bpm % 1) for spec in specs) > len(specs) / 3
    assert len({spec.key for spec in specs}) >= 12
