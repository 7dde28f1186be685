"""The scorer: full marks for the truth, and the right mark lost for each kind of mistake."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from fixtures.generate import SLIPPED_LAYOUT, STYLES, TrackSpec, truth_for
from tests.accuracy import form, listen, material, report, score
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
REFERENCE = material.Reference(
    TRUTH.tempo_bpm, TRUTH.steady, TRUTH.beats_s, TRUTH.downbeats_s, TRUTH, None, drop_lufs=(-7.0, -9.0)
)
NOUGHT_IS_BEST = {"false_alarms", "tempo_error_bpm", "voice_invented_share", "voice_missed_s", "voice_invented_s"}
"""Besides those in milliseconds."""


@pytest.fixture(autouse=True)
def _convention(monkeypatch, tmp_path):
    path = tmp_path / "convention.json"
    path.write_text(json.dumps({"name": "test", "slots": SLOTS}))
    monkeypatch.setattr(form, "CONVENTION", path)


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
    noughts = {key for key in full if key.endswith("_ms") or key in NOUGHT_IS_BEST}
    assert {full[key] for key in noughts} == {0.0}
    assert {key for key, value in full.items() if key not in noughts and value != 1.0} == {"voice_found_s"}
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
    blank = Estimate(None, [], False, nothing, nothing, nothing, [], [], None, draft_s={})
    none = marks(blank)
    assert {key for key, value in none.items() if value not in (0.0, None)} <= {
        "false_alarms",
        "metre_right",
        "metre_right_4",
    }


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
        assert form.draft_hits(draft, TRUTH)[5] is right


def test_a_mix_in_may_wait_for_the_drums():
    truth = truth_for(replace(SPEC, drumless_intro_bars=4))
    first = float(truth.beats_s[0])
    for bars, right in ((0, True), (4, True), (2, False)):
        assert form.draft_hits({1: first + bars * 4 * BEAT_S}, truth)[1] is right


def test_a_slot_without_its_event_is_right_when_empty():
    truth = truth_for(TrackSpec(layout=(("intro", 8), ("drop", 8), ("outro", 8)), strongest_drop=1))
    assert form.draft_hits({}, truth)[2]
    assert not form.draft_hits({2: 4.0}, truth)[2]


def test_the_summary_knows_which_goals_are_met():
    right, wrong = score.score(perfect(), REFERENCE), score.score(perfect(tempo_bpm=126.6), REFERENCE)
    rows = [
        report.Row("1-house-slip", "synthetic", 126.5, 126.5, right, {"other": {"beat_f20": 0.4}}, {}, 1.0),
        report.Row("2-house", "synthetic", 126.5, 126.6, wrong, {}, {}, 1.0),
    ]
    assert report.summary(rows)["synthetic"]["misses"]["tempo_right"] == {"house": (1, 2)}
    figures = report.summary(rows)["synthetic"]["figures"]
    assert figures["tempo_right"]["value"] == 0.5
    assert figures["tempo_right"]["met"] is False
    assert figures["beat_f20"]["met"] is True
    assert figures["beat_f20"]["baselines"] == {"other": 0.4}
    assert figures["offset_p95_ms"]["met"] is True


def test_confidence_is_set_beside_what_came_true():
    """Five bins of two; the surer half holds three right answers of five."""
    sure = [(0.1, 0.0), (0.2, 0.0), (0.3, 1.0), (0.4, 0.0), (0.5, 1.0), (0.6, 0.0), (0.7, 1.0), (0.8, 1.0), (0.9, 0.0)]
    rows = [report.Row("x", "synthetic", 1.0, 1.0, {}, {}, {"downbeat": [pair]}, 0.0) for pair in [*sure, (1.0, 1.0)]]
    summary = report.summary(rows)["synthetic"]
    bins = summary["reliability"]["downbeat"]
    assert [one["sure"] for one in bins] == pytest.approx([0.15, 0.35, 0.55, 0.75, 0.95])
    assert [one["right"] for one in bins] == [0.0, 0.5, 0.5, 1.0, 0.5]
    assert summary["figures"]["downbeat_sure_half"]["value"] == pytest.approx(3 / 5)


def test_voice_is_marked_by_time():
    truth = replace(TRUTH, voice=((10.0, 20.0), (40.0, 50.0)))
    reference = replace(REFERENCE, full=truth)
    answer = score.score(perfect(voice_s=[(10.0, 20.0), (45.0, 55.0)]), reference)
    assert (answer["voice_found_s"], answer["voice_invented_s"], answer["voice_missed_s"]) == (15.0, 5.0, 5.0)
    assert answer["voice_f_sung"] == pytest.approx(0.75)


def test_the_stronger_drop_is_asked_for_only_where_levels_differ_by_a_decibel():
    near = score.score(perfect(), replace(REFERENCE, drop_lufs=(-8.0, -8.9)))
    assert "strongest_right" not in near
    other = score.score(perfect(), replace(REFERENCE, drop_lufs=(-9.0, -7.0)))
    assert other["strongest_right"] == 0.0


def test_a_track_without_drops_counts_the_invented_ones():
    plain = truth_for(TrackSpec(layout=(("intro", 8), ("bridge", 16), ("outro", 8))))
    reference = replace(REFERENCE, full=plain, drop_lufs=None)
    assert score.score(perfect(), reference)["invented_drops"] == 2.0
    assert score.score(perfect(drops_s=[]), reference)["invented_drops"] == 0.0


def test_music_without_drums_is_not_asked_for_beats():
    figures = score.score(perfect(), replace(REFERENCE, has_beat=False))
    assert "beat_f20" not in figures
    assert "phrase_bars" not in figures
    assert figures["key_weighted"] == 1.0


def test_a_seam_is_natural_where_the_bars_repeat_and_not_where_the_sound_changes(tmp_path):
    """Bars of one chord, then bars of noise: a loop within the first is natural, one across both is not."""
    rate, bar_s, chance = 22_050, 2.0, np.random.default_rng(1)
    times = np.arange(int(8 * bar_s * rate)) / rate
    chord = 0.2 * (np.sin(2 * np.pi * 220 * times) + np.sin(2 * np.pi * 330 * times))
    noise = 0.2 * chance.standard_normal(len(times))
    soundfile.write(tmp_path / "bars.wav", np.concatenate([chord, noise]), rate)
    downbeats_s = np.arange(16, dtype=np.float64) * 2
    assert listen.seam_is_natural(tmp_path / "bars.wav", (4.0, 12.0), downbeats_s)
    assert not listen.seam_is_natural(tmp_path / "bars.wav", (4.0, 24.0), downbeats_s)


def test_key_spans_are_marked_by_time_and_a_fifth_counts_either_way_apart():
    changed = truth_for(replace(SPEC, key_changes=((50, "B minor"),)))
    assert len(changed.keys) == 2
    half = form.form_figures(perfect(keys=[(0.0, 999.0, "A minor")]), changed, True, None)["key_time"]
    whole = [(0.0, changed.keys[1][0], "A minor"), (changed.keys[1][0], 999.0, "B minor")]
    assert half == pytest.approx(0.5, abs=0.02)
    assert form.form_figures(perfect(keys=whole), changed, True, None)["key_time"] == pytest.approx(1.0, abs=0.01)
    below = marks(perfect(key="D minor"))
    assert (below["key_weighted"], below["key_either"]) == (0.0, 0.5)


def test_a_second_drop_is_alike_or_not():
    said = perfect(drops_same=[None, 0])
    assert marks(said)["alike_right"] == 1.0
    assert marks(replace(said, drops_same=[None, None]))["alike_right"] == 0.0
    fresh = truth_for(replace(SPEC, fresh=True))
    assert form.form_figures(said, fresh, True, None)["alike_right"] == 0.0
    assert "alike_right" not in marks(replace(said, drops_s=[(TRUTH.drops_s[0], 1.0)], drops_same=[None]))


def test_sections_pair_their_confidence_with_what_is_so():
    answer = perfect(sections_sure=[0.9] * len(TRUTH.sections))
    assert form.section_pairs(answer, TRUTH) == [(0.9, 1.0)] * (len(TRUTH.sections) - 1)
    assert form.section_pairs(answer, TRUTH, "drop") == [(0.9, 1.0)] * 2
    named = [(start, end, "drop") for start, end, _ in answer.sections or []]
    assert sum(right for _, right in form.section_pairs(replace(answer, sections=named), TRUTH, "drop")) == 2


def test_the_metre_is_marked_by_what_it_is():
    assert marks(perfect())["metre_right_4"] == 1.0
    assert marks(perfect(beats_per_bar=3))["metre_right_4"] == 0.0


def test_the_material_is_varied_and_always_the_same():
    tracks = material.synthetic()
    specs = [track.spec for track in tracks if track.spec]
    assert len(specs) >= 200
    assert specs == [track.spec for track in material.synthetic()]
    assert len({track.name for track in tracks}) == len(tracks)
    halves = [material.synthetic("tune"), material.synthetic("report")]
    assert {track.name for half in halves for track in half} == {track.name for track in tracks}
    assert not {track.name for track in halves[0]} & {track.name for track in halves[1]}
    for half in halves:
        in_half = [track.spec for track in half if track.spec]
        assert len(in_half) >= 100
        assert {spec.style for spec in in_half} == set(STYLES)
        assert len({spec.key for spec in in_half}) >= 20
        for trait in (
            "wander",
            "drift",
            "wow",
            "tempo_changes",
            "half_bars",
            "pickup_beats",
            "voice",
            "key_changes",
            "solo",
        ):
            assert sum(bool(getattr(spec, trait)) for spec in in_half) >= 3, trait
        assert sum(not any(role == "drop" for role, _ in spec.layout) for spec in in_half) >= 15
