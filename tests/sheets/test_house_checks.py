"""House checks: each finds what it names and nothing else, and its fix satisfies it.

Rules of order and runway: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis_worker.core.results import Drop, Loop, VoiceRegion
from crewprep.sheets.house_checks import CHECKS, Finding, Severity, check_sheet
from crewprep.sheets.markers import MarkerInput
from tests.factories import analysis_result

RESULT = replace(analysis_result(bars=96, bpm=120.0, first_beat_us=0), drops=(), loops=(), voice=())
BEAT = 500_000
BAR = 4 * BEAT
PHRASE = 8 * BAR


@dataclass(frozen=True)
class Rule:
    number: int
    name: str
    function: str
    which: str = "first"
    kind: str = "point"
    loop_bars: int | None = None
    lead_bars: int = 0
    snap_beats: float = 0.25
    required: bool = False
    labels: tuple[str, ...] = ()


MIX_IN, BREAK, BUILD = Rule(1, "Mix-in", "mix-in"), Rule(2, "Breakdown", "breakdown"), Rule(3, "Build-up", "build-up")
DROP, BREAK_2 = Rule(4, "Drop", "drop", required=True), Rule(5, "Second breakdown", "breakdown", "second")
STRONG, FREE = Rule(6, "Strongest", "drop", "strongest"), Rule(7, "Free", "free")
LOOP = Rule(8, "Exit loop", "exit loop", kind="loop", loop_bars=4, snap_beats=1.0)
SLOTS = [MIX_IN, BREAK, BUILD, DROP, BREAK_2, STRONG, FREE, LOOP]

GOOD = {
    1: MarkerInput(1, 0),
    2: MarkerInput(2, 2 * PHRASE),
    3: MarkerInput(3, 3 * PHRASE),
    4: MarkerInput(4, 4 * PHRASE),
    5: MarkerInput(5, 6 * PHRASE),
    6: MarkerInput(6, 8 * PHRASE),
    7: MarkerInput(7, 5 * PHRASE + BAR, label="bells"),
    8: MarkerInput(8, 10 * PHRASE, 10 * PHRASE + 4 * BAR),
}


def found(*changed: MarkerInput, without: int = 0, result=RESULT, severities=None) -> list[Finding]:
    sheet = {**GOOD, **{marker.slot: marker for marker in changed}}
    sheet.pop(without, None)
    return check_sheet(sheet.values(), SLOTS, result, severities or {})


def only(findings: list[Finding], check: str) -> Finding:
    assert [finding.check for finding in findings] == [check]
    return findings[0]


def test_a_good_sheet_breaks_nothing():
    assert found() == []


@pytest.mark.parametrize(
    ("marker", "check", "words", "fixed_us"),
    [
        (MarkerInput(7, 5 * PHRASE + 9_000, label="x"), "grid", "9 ms after the grid", 5 * PHRASE),
        (MarkerInput(7, 5 * PHRASE - 9_000, label="x"), "grid", "9 ms before the grid", 5 * PHRASE),
        (MarkerInput(1, BAR), "phrase", "the nearest is 1.1.1", 0),
        (MarkerInput(7, 5 * PHRASE), "label", "no label", None),
        (MarkerInput(3, 3 * PHRASE + BAR), "runway", "7 bars before the drop", None),
        (MarkerInput(7, 5 * PHRASE, label="x"), None, "", None),
        (MarkerInput(7, 4 * PHRASE + BEAT // 2, label="x"), "apart", "less than a beat from slot 4", None),
        (MarkerInput(5, 3 * PHRASE + 4 * BAR), None, "", None),
    ],
)
def test_each_check_finds_what_it_names(marker: MarkerInput, check: str | None, words: str, fixed_us: int | None):
    aside = {"order", "phrase"} - {check}
    findings = [finding for finding in found(marker) if finding.check not in aside]
    if check is None:
        assert findings == []
        return
    finding = only(findings, check)
    assert finding.slot == marker.slot
    assert words in finding.sentence
    assert (finding.fix.start_us if finding.fix else None) == fixed_us


def test_a_required_slot_and_the_order_are_blockers():
    assert only(found(without=4), "required").severity == "blocker"
    assert only(found(MarkerInput(2, 3 * PHRASE + 4 * BAR), severities={"phrase": "off"}), "order").slot == 2
    second = found(MarkerInput(5, 3 * PHRASE))
    assert [(finding.check, finding.slot, finding.severity) for finding in second if finding.check == "order"] == [
        ("order", 4, "blocker")
    ]


def test_a_loop_has_the_length_of_the_convention_and_its_fix_gives_it():
    short = MarkerInput(8, 10 * PHRASE, 10 * PHRASE + 2 * BAR)
    finding = only(found(short), "loop-length")
    assert "lasts 2 bars where the convention asks for 4" in finding.sentence
    assert finding.fix == GOOD[8]


def test_seam_and_voice_of_the_exit_loop():
    start, end = GOOD[8].start_us, GOOD[8].end_us or 0
    rough = replace(RESULT, loops=(Loop(start + 20_000, end, 4, 0.2, rank=0.95, place="exit"),))
    assert only(found(result=rough), "seam").slot == 8
    assert found(result=replace(RESULT, loops=(Loop(start, end, 4, 0.9, rank=0.9),))) == []
    sung = replace(RESULT, voice=(VoiceRegion(start + BAR, end + BAR, 0.7),))
    assert "from 2:42" in only(found(result=sung), "voice").sentence
    assert found(result=replace(RESULT, voice=(VoiceRegion(start, end, 0.4),))) == []
    assert found(result=replace(RESULT, voice=(VoiceRegion(end, end + BAR, 0.9),))) == []


def test_the_strongest_drop_is_the_one_that_the_analysis_heard():
    drops = (Drop(4 * PHRASE, -9, -3, 2, strength=0.9), Drop(8 * PHRASE, -9, -3, 2, strength=0.5))
    finding = only(found(result=replace(RESULT, drops=drops)), "strongest")
    assert finding.fix is not None
    assert finding.fix.start_us == 4 * PHRASE
    close = (drops[0], replace(drops[1], strength=0.85))
    assert found(result=replace(RESULT, drops=close)) == [], "a hair's breadth is no matter"
    both = found(MarkerInput(6, 4 * PHRASE), result=replace(RESULT, drops=drops))
    assert both == [], "one drop may be the first and the strongest"


def test_a_lead_is_part_of_where_a_marker_belongs():
    early = replace(DROP, lead_bars=4)
    slots = [early if slot.number == 4 else slot for slot in SLOTS]
    sheet = {**GOOD, 4: MarkerInput(4, 4 * PHRASE - 4 * BAR)}
    quiet: dict[str, Severity] = {"order": "off", "runway": "off"}
    assert check_sheet(sheet.values(), slots, RESULT, quiet) == []
    sheet[4] = MarkerInput(4, 4 * PHRASE)
    finding = only(check_sheet(sheet.values(), slots, RESULT, quiet), "phrase")
    assert finding.fix is not None
    assert finding.fix.start_us == 4 * PHRASE - 4 * BAR


def test_the_crew_sets_severities_and_switches_checks_off():
    marker = MarkerInput(7, 5 * PHRASE)
    assert found(marker, severities={"label": "blocker"})[0].severity == "blocker"
    assert found(marker, severities={"label": "off"}) == []


@pytest.mark.parametrize(
    ("label", "words"),
    [
        ("Bells", None),
        (" bELLS ", None),
        ("choir", None),
        ("bell", "The convention asks for the label “Bells” or “Choir”, not “bell”."),
        ("", "The convention asks for the label “Bells” or “Choir”, and it has none."),
        ("   ", "The convention asks for the label “Bells” or “Choir”, and it has none."),
    ],
)
@pytest.mark.parametrize("rule", [FREE, BREAK])
def test_a_label_is_one_that_the_convention_agrees_on(rule: Rule, label: str, words: str | None):
    marker = replace(GOOD[rule.number], label=label)
    sheet = {**GOOD, rule.number: marker}.values()
    slots = [replace(slot, labels=("Bells", "Choir")) if slot == rule else slot for slot in SLOTS]
    findings = check_sheet(sheet, slots, RESULT, {})
    if words is None:
        assert findings == []
    else:
        finding = only(findings, "label")
        assert (finding.slot, finding.sentence, finding.fix) == (rule.number, words, None)
    free = [finding.check for finding in check_sheet(sheet, SLOTS, RESULT, {})]
    assert free == (["label"] if rule == FREE and not label.strip() else []), "without labels agreed it is as it was"


def test_without_a_grid_only_what_needs_none_is_asked():
    bare = replace(
        RESULT, tempo_bpm=None, beats_us=(), downbeats_us=(), phrases_us=(), tempo_segments=(), sections=(), energy=()
    )
    near = found(MarkerInput(7, 123_456), without=4, result=bare)
    assert {finding.check for finding in near} == {"required", "label", "apart"}
    assert "less than a second" in near[-2].sentence + near[-1].sentence


def test_every_check_says_what_it_asks():
    assert len({check.code for check in CHECKS}) == len(CHECKS)
    assert all(check.asks.endswith(".") for check in CHECKS)


_places = st.integers(0, RESULT.duration_us - 1)


@given(st.dictionaries(st.sampled_from([1, 2, 3, 4, 5, 6, 7]), _places), st.tuples(_places, st.integers(1, 20 * BAR)))
def test_every_fix_satisfies_its_check_and_is_inside_the_audio(places: dict[int, int], loop: tuple[int, int]):
    sheet = {slot: MarkerInput(slot, at, label="x") for slot, at in places.items()}
    sheet[8] = MarkerInput(8, loop[0], min(loop[0] + loop[1], RESULT.duration_us))
    for finding in check_sheet(sheet.values(), SLOTS, RESULT, {}):
        if finding.fix is None:
            continue
        fix = finding.fix
        assert 0 <= fix.start_us < RESULT.duration_us
        assert fix.end_us is None or fix.start_us < fix.end_us <= RESULT.duration_us
        after = check_sheet({**sheet, fix.slot: fix}.values(), SLOTS, RESULT, {})
        still = [other for other in after if (other.check, other.slot) == (finding.check, finding.slot)]
        cut_short = finding.check == "loop-length" and fix.end_us == RESULT.duration_us
        assert still == [] or cut_short
