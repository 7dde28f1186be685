"""The usual slips at each function, in a sentence with how to tell (pure).

Common practice among those who teach marking, no source.
"""

from __future__ import annotations

_SLIPS: dict[str, tuple[str, ...]] = {
    "mix-in": (
        "On the very start of the file: silence or a noise before the first beat is not yet the music.",
        "A bar late, because the first kick is soft: go back from the first loud one and listen.",
    ),
    "breakdown": (
        "A phrase late, where it has become quiet: it begins where kick and low end leave, also under a ringing sound.",
        "On a break of a bar or two before the real one: after it the kick comes straight back.",
    ),
    "build-up": (
        "On the breakdown before it: the build-up begins where tension starts to rise, by a roll, a riser, a filter.",
        "Only on the last, loudest bars: listen one phrase back for where the rise began.",
    ),
    "drop": (
        "A phrase early, where the build-up begins: at the drop kick and bass are back, together.",
        "On the last hit or the silence before it: the drop is the first beat of the bar that follows.",
        "A phrase late, where a lead or a voice joins: the kick and bass came in before.",
    ),
    "outro": (
        "Where the track becomes quiet: the outro begins where it thins out to what can be mixed over.",
        "On the last breakdown: if a drop follows, it is not the outro yet.",
    ),
    "exit loop": (
        "Off the downbeat: then it limps each time it goes round. Loop it and count.",
        "With a voice or a fill in its last bar: it goes round for as long as needed, so only even bars will do.",
        "With the right start and the wrong length: listen to its seam.",
    ),
    "vocal": (
        "On the first breath or an echo: the marker stands on the first word.",
        "On the downbeat, though the voice begins before it: go by the first word, not by the bar.",
    ),
    "riff": (
        "On the second time round: go back by the riff’s own length and listen.",
        "On the downbeat, though the riff has a note before it: go by its first note.",
    ),
    "free": ("Somewhere else each time: it has no function, so the rule’s own words are all there is to go by.",),
}  # fmt: skip

_BY_WHICH: dict[str, str] = {
    "second": "The first of its kind, marked twice: there must be another part between the two.",
    "strongest": "The first drop by habit: compare the drops at the same level; the strongest has most low end.",
    "last": "The one before the last: listen on to the end before you decide.",
}
_LOOPED = "As a point: this slot is a loop, and needs its end as well as its start."
_LEAD = "On the event itself: this marker stands {bars} before it."


def usual_slips(function: str, which: str, *, kind: str = "point", lead_bars: int = 0) -> list[str]:
    """The slips at a slot with this function, one sentence each; never empty. An unknown function has those of a free
    one."""
    slips = list(_SLIPS.get(function, _SLIPS["free"]))
    if function != "free" and which in _BY_WHICH and (which != "strongest" or function == "drop"):
        slips.append(_BY_WHICH[which])
    if kind == "loop" and function != "exit loop":
        slips.append(_LOOPED)
    if lead_bars:
        slips.append(_LEAD.format(bars="a bar" if lead_bars == 1 else f"{lead_bars} bars"))
    return slips
