"""Drafts: one track by three conventions, every function and choice, leads, loops, and honest gaps."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from analysis_worker.core.convention import COLOURS, FUNCTIONS, SHAPES, WHICH, ConventionRules
from analysis_worker.core.draft import draft_sheet
from analysis_worker.core.results import Contour, Draft, Drop, Loop, Role, Section, TrackAnalysis, VoiceRegion

BEAT_US = 500_000
BAR_US = 4 * BEAT_US
FIRST_US = 250_000
SCHEMAS = Path(__file__).parents[2] / "analysis_worker" / "core" / "schemas"
CONVENTIONS = Path(__file__).parents[2] / "fixtures" / "convention"

LAYOUT: tuple[tuple[Role, int], ...] = (
    ("intro", 16),
    ("breakdown", 16),
    ("build-up", 8),
    ("drop", 32),
    ("breakdown", 8),
    ("build-up", 8),
    ("drop", 32),
    ("outro", 16),
)


def at(bar: float) -> int:
    """Time of a bar line, bars counted from 0."""
    return FIRST_US + round(bar * BAR_US)


def track(layout: tuple[tuple[Role, int], ...] = LAYOUT, **changes: Any) -> TrackAnalysis:
    """A track at 120 BPM whose second drop is the stronger one."""
    bars = sum(count for _, count in layout)
    sections: list[Section] = []
    drops: list[Drop] = []
    bar = 0
    for role, count in layout:
        energy = {"breakdown": 0.3, "build-up": 0.4, "drop": 0.9}.get(role, 0.6)
        sections.append(Section(at(bar), at(bar + count), role, 0.8, energy, f"why it is a {role}"))
        if role == "drop":
            drops.append(Drop(at(bar), -9.0 + len(drops), -12.0 + len(drops), 3.0, 0.4 + 0.2 * len(drops)))
        bar += count
    energies = tuple(section.energy for section, (_, count) in zip(sections, layout, strict=True) for _ in range(count))
    loops = tuple(
        Loop(at(start), at(start + length), length, 0.9, place="exit")
        for length in (4, 8)
        for start in (0, bars - 16, bars - 8)
    )
    analysis = TrackAnalysis(
        engine="1",
        duration_us=at(bars) + 1_000_000,
        tempo_bpm=120.0,
        tempo_candidates=(),
        steady=True,
        tempo_segments=(),
        grid_confidence=1.0,
        beats_per_bar=4,
        beats_us=tuple(FIRST_US + beat * BEAT_US for beat in range(4 * bars + 2)),
        downbeats_us=tuple(at(bar) for bar in range(bars)),
        downbeat_confidence=1.0,
        phrases_us=tuple(at(bar) for bar in range(0, bars, 8)),
        phrase_confidence=1.0,
        sections=tuple(sections),
        drops=tuple(drops),
        key=None,
        loudness_lufs=-9.0,
        true_peak_dbtp=-0.5,
        energy=energies,
        contour=Contour(4, (), ()),
        loops=loops,
    )
    return replace(analysis, **changes)


def slot(function: str, which: str = "first", **changes: Any) -> dict[str, Any]:
    loop = changes.get("loop_bars")
    return {"function": function, "which": which, "kind": "loop" if loop else "point", **changes}


def rules(*slots: dict[str, Any]) -> ConventionRules:
    """A convention of these slots, filled up with free ones to the least number."""
    padded = [*slots, *[slot("free")] * max(0, 4 - len(slots))]
    return ConventionRules.from_document(
        {"name": "made up", "slots": [{**given, "number": number} for number, given in enumerate(padded, start=1)]}
    )


def only(analysis: TrackAnalysis, given: dict[str, Any]) -> Any:
    """The first slot's marker, or the reason why it is empty."""
    draft = draft_sheet(analysis, rules(given))
    for marker in draft.markers:
        if marker.slot == 1:
            return marker
    return next(empty.reason for empty in draft.empty if empty.slot == 1)


def default(name: str) -> ConventionRules:
    return ConventionRules.from_document(json.loads((CONVENTIONS / f"{name}.json").read_text()))


def complete(draft: Draft, convention: ConventionRules) -> bool:
    """Whether each slot is marked or empty, exactly once, each with a reason."""
    numbers = [marker.slot for marker in draft.markers] + [empty.slot for empty in draft.empty]
    reasons = [marker.reason for marker in draft.markers] + [empty.reason for empty in draft.empty]
    return sorted(numbers) == [slot.number for slot in convention.slots] and all(len(reason) > 10 for reason in reasons)


def starts(draft: Draft) -> dict[int, float]:
    return {marker.slot: (marker.start_us - FIRST_US) / BAR_US for marker in draft.markers}


def test_one_track_drafted_by_three_conventions():
    eight, four = default("eight"), default("four")
    other = rules(
        slot("drop", lead_bars=16),
        slot("drop", "second", loop_bars=4),
        slot("build-up", "last"),
        slot("breakdown", "last"),
        slot("outro"),
        slot("exit loop", loop_bars=4),
    )
    drafts = {convention.name: draft_sheet(track(), convention) for convention in (eight, four, other)}
    assert starts(drafts["Eight slots"]) == {1: 0, 2: 16, 3: 32, 4: 40, 5: 72, 6: 88, 8: 120}
    assert starts(drafts["Four slots"]) == {1: 16, 2: 32, 3: 40, 4: 120}
    assert starts(drafts["made up"]) == {1: 24, 2: 88, 3: 80, 4: 72, 5: 120, 6: 120}
    for convention in (eight, four, other):
        assert complete(drafts[convention.name], convention)


@pytest.mark.parametrize("name", ["eight", "four"])
def test_our_conventions_follow_their_schema(name):
    document = json.loads((CONVENTIONS / f"{name}.json").read_text())
    schema = json.loads((SCHEMAS / "convention.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(document, schema, jsonschema.Draft202012Validator)
    assert {given["colour"] for given in document["slots"]} <= set(COLOURS)
    assert len({given["shape"] for given in document["slots"]}) == len(document["slots"])
    assert {given["shape"] for given in document["slots"]} <= set(SHAPES)


@pytest.mark.parametrize(
    "break_it",
    [
        {"kind": "loop"}, {"number": 0}, {"colour": "mauve"}, {"extra": 1}, {"loop_bars": 4}, {"labels": "Bells"},
        {"labels": [""]}, {"labels": ["x" * 61]}, {"labels": ["a,b"]}, {"labels": [str(n) for n in range(13)]},
    ],
)  # fmt: skip
def test_the_convention_schema_refuses_what_the_reader_would(break_it):
    document = json.loads((CONVENTIONS / "eight.json").read_text())
    document["slots"][0] |= break_it
    schema = json.loads((SCHEMAS / "convention.schema.json").read_text())
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document, schema, jsonschema.Draft202012Validator)


@pytest.mark.parametrize(
    ("labels", "words"),
    [
        ("Bells", "must be a list"), (None, "must be a list"), ([1], "must be a list"), ([" "], "not be empty"),
        (["x" * 61], "more than 60 letters"), (["a,b"], "no comma"), (["a\nb"], "cannot be shown"),
        (["STRASSE", "straße"], "twice"), ([str(n) for n in range(13)], "at most 12"),
    ],
)  # fmt: skip
def test_agreed_labels_that_cannot_be_used_are_told(labels, words):
    with pytest.raises(ValueError, match=f"^Slot 1: .*{words}"):
        rules({**slot("free"), "labels": labels})
    assert rules({**slot("free"), "labels": [" Bells", "x" * 60]}).slots[0].labels == ("Bells", "x" * 60)
    assert rules(slot("free")).slots[0].labels == ()


@pytest.mark.parametrize("which", WHICH)
@pytest.mark.parametrize("function", FUNCTIONS)
def test_every_function_and_choice_gives_a_marker_or_a_reason(function, which):
    for layout in (LAYOUT, (("bridge", 64),), (("intro", 16), ("drop", 32)), (("intro", 4),)):
        for given in (slot(function, which), slot(function, which, loop_bars=8), slot(function, which, lead_bars=64)):
            convention = rules(given)
            analysis = track(layout)
            draft = draft_sheet(analysis, convention)
            assert complete(draft, convention)
            for marker in draft.markers:
                assert 0 <= marker.start_us < analysis.duration_us
                assert 0 < marker.confidence < 1
                assert marker.end_us is None or marker.start_us < marker.end_us <= analysis.duration_us


def test_voices_riffs_and_free_slots_wait_for_ears():
    for function in ("free", "vocal", "riff"):
        assert "ears" in only(track(), slot(function)) or "hears" in only(track(), slot(function))


def test_a_track_without_a_beat_stays_empty_and_says_so():
    bare = track(beats_us=(), downbeats_us=(), sections=(), drops=(), energy=(), loops=(), tempo_bpm=None)
    draft = draft_sheet(bare, default("eight"))
    assert not draft.markers
    assert {empty.reason for empty in draft.empty if empty.slot != 7} == {
        "No beat was found in this track, so there is no grid to place a marker on."
    }


def test_music_without_drops_gets_no_invented_ones():
    plain = track((("intro", 8), ("bridge", 48), ("outro", 16)))
    for function in ("drop", "build-up", "breakdown"):
        assert only(plain, slot(function)).startswith("No ")


def test_the_first_breakdown_is_the_one_that_leads_to_the_first_drop():
    early: tuple[tuple[Role, int], ...] = (("intro", 8), ("breakdown", 8), ("bridge", 16), *LAYOUT[1:])
    assert only(track(early), slot("breakdown")).start_us == at(32)
    assert only(track(early), slot("breakdown", "second")).start_us == at(88)


def test_the_strongest_drop_is_chosen_by_figures_and_says_by_which():
    marker = only(track(), slot("drop", "strongest"))
    assert marker.start_us == at(88)
    assert "+1.0 LU" in marker.reason
    assert "+1.0 dB low end" in marker.reason
    alike = track(drops=tuple(replace(drop, strength=0.5) for drop in track().drops))
    assert only(alike, slot("drop", "strongest")).confidence < marker.confidence


def test_a_second_of_something_that_comes_once_stays_empty():
    once = track((("intro", 16), ("breakdown", 8), ("build-up", 8), ("drop", 32), ("outro", 16)))
    assert only(once, slot("drop", "second")) == (
        "No second drop: kick and low end never return together after the one at 1:04.2."
    )


def test_a_lead_goes_back_whole_bars_and_stops_at_the_first_downbeat():
    assert only(track(), slot("drop", lead_bars=8)).start_us == at(32)
    marker = only(track(), slot("drop", lead_bars=64))
    assert marker.start_us == at(0)
    assert "only 40 of the 64 bars" in marker.reason
    assert marker.confidence < only(track(), slot("drop")).confidence


def test_points_snap_to_the_grid_fraction():
    moved = replace(track().sections[3], start_us=at(40) + 180_000)
    analysis = track(sections=(*track().sections[:3], moved, *track().sections[4:]))
    # 180 ms are 0.36 of a beat.
    assert only(analysis, slot("drop", snap_beats=0.25)).start_us == at(40) + 125_000
    assert only(analysis, slot("drop", snap_beats=0.5)).start_us == at(40) + 250_000
    assert only(analysis, slot("drop", snap_beats=1.0)).start_us == at(40)
    assert only(analysis, slot("drop", snap_beats=4.0)).start_us == at(40)


def test_loops_are_whole_beats_long_and_fit_the_track():
    marker = only(track(), slot("drop", loop_bars=8))
    assert (marker.start_us, marker.end_us) == (at(40), at(48))
    assert "does not fit" in only(track(), slot("outro", loop_bars=32))


def test_the_exit_loop_takes_the_best_seam_of_the_outro():
    best = Loop(at(124), at(132), 8, 0.9, place="exit")
    other, inner = Loop(at(120), at(128), 8, 0.5, place="exit"), Loop(at(122), at(130), 8, 1.0)
    analysis = track(loops=(other, inner, best, Loop(at(100), at(108), 8, 1.0, place="exit")))
    marker = only(analysis, slot("exit loop", loop_bars=8))
    assert (marker.start_us, marker.end_us) == (best.start_us, best.end_us)
    assert marker.reason.endswith("seam steps less than 50 % of the track's own bar lines")


def test_an_exit_loop_of_unmeasured_length_says_so_and_one_without_room_stays_empty():
    marker = only(track(), slot("exit loop", loop_bars=5))
    assert marker.start_us == at(120)
    assert "not measured" in marker.reason
    assert marker.confidence < 0.5
    assert "No steady stretch of 32 bars" in only(track(), slot("exit loop", loop_bars=32))


def test_without_a_build_up_the_last_phrase_may_serve_if_it_does_not_fall_off():
    layout: tuple[tuple[Role, int], ...] = (("intro", 16), ("breakdown", 16), ("drop", 32), ("outro", 16))
    marker = only(track(layout), slot("build-up"))
    assert marker.start_us == at(24)
    assert marker.confidence <= 0.3
    falling = list(track(layout).energy)
    falling[28:32] = [0.05] * 4
    assert "Nothing rises" in only(track(layout, energy=tuple(falling)), slot("build-up"))


def test_a_marker_is_no_surer_than_its_grid():
    sure, unsure = only(track(), slot("drop")), only(track(downbeat_confidence=0.2), slot("drop"))
    assert unsure.confidence < sure.confidence


def test_the_mix_in_is_the_first_bar_with_a_beat():
    quiet = (0.05,) * 8 + track().energy[8:]
    assert only(track(), slot("mix-in")).start_us == at(0)
    assert only(track(energy=quiet), slot("mix-in")).start_us == at(8)


def test_a_vocal_slot_takes_the_first_voice_on_the_beat_before_it():
    voice = (VoiceRegion(at(20) + 90_000, at(28), 0.8), VoiceRegion(at(60), at(64), 0.6))
    marker = only(track(voice=voice), slot("vocal"))
    assert marker.start_us == at(20)
    assert "likely vocal" in marker.reason
    assert only(track(voice=voice[:1]), slot("vocal", "second")).startswith("No second vocal: nobody sings again after")
    assert "waits for ears" in only(track(), slot("vocal"))
