"""What a member may drill on and should meet next, as ``picking`` reads them; a fixed number of queries."""

from __future__ import annotations

import datetime as dt
from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any
from uuid import UUID

from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils import timezone

from crewprep.analysis.musical_time import PHRASE_BARS
from crewprep.conventions.models import ConventionVersion, Slot
from crewprep.crews.models import Membership
from crewprep.onboarding.models import BlindSheet, DoubleMarking, Drill, DrillScore, Sight, SlotCard
from crewprep.onboarding.picking import Candidate, Meaning, Need, Traits, allowed_hard, ranked
from crewprep.preparation.estimate import SURE_GRID
from crewprep.preparation.models import Claim
from crewprep.review.models import Proposal, Verdict
from crewprep.sheets.models import CountedSheet, KeptSheet, SheetMarker, SheetVersion

MOST_COMPARED = 500
"""Sheets that are compared at once. Which these are is left to their random ids; those drilled on make room."""
LOOKED_INTO = 24
"""The best of them, whose facts are read: these are large."""
SURE_PHRASES = 0.5
"""Phrases less sure than this may have slipped (ours)."""
RIGHT = ("exact", "beat")
_LATEST_SLOTS = 40
"""So many of the slots marked last tell whether harder tracks may come, about five drills."""


def sheets_unknown_to(member: Membership) -> QuerySet[SheetVersion]:
    """The tracks' sheets that count under the crew's current convention, of tracks whose markers the member has neither
    set, judged, seen nor drilled on."""
    current = ConventionVersion.objects.filter(crew=member.crew, followed_by=None)
    sheets = SheetVersion.objects.filter(
        Exists(CountedSheet.objects.filter(track=OuterRef("track"), convention_version__in=current)),
        crew=member.crew, convention_version__convention__in=current.values("convention"), track__same_as=None,
    )  # fmt: skip
    later = SheetVersion.objects.filter(track=OuterRef("track"), number__gt=OuterRef("number"))
    return sheets.exclude(Exists(later)).exclude(_known(member)).order_by("pk")


def _known(member: Membership) -> Q:
    """Of a sheet: that the member knows markers of its track, or is to mark it without knowing any."""
    track, me = {"track": OuterRef("track")}, member.user_id
    had_a_hand = Proposal.contributors.through.objects.filter(proposal__track=OuterRef("track"), user=me)
    proposals = Proposal.objects.filter(Q(proposed_by=me) | Q(changed_by=me), **track)
    known: tuple[QuerySet[Any], ...] = (
        Drill.objects.filter(membership=member, **track),
        Sight.objects.filter(membership=member, **track),
        proposals,
        had_a_hand,
        Verdict.objects.filter(by=me, proposal__track=OuterRef("track")),
        SheetVersion.objects.filter(Q(proposed_by=me) | Q(approved_by=me), **track),
        Claim.objects.filter(holder=me, **track),
        KeptSheet.objects.filter(member=me, **track),
        BlindSheet.objects.filter(by=me, **track),
        DoubleMarking.objects.filter(members=me, tracks=OuterRef("track")),
    )
    return Q(*(Exists(rows.order_by()) for rows in known), _connector=Q.OR)


def next_sheet(member: Membership, *, seed: int) -> UUID | None:
    """The id of the sheet that the member should drill on next, None where none is left; nine queries at most."""
    candidates = _candidates(member)
    if not candidates:
        return None
    need = need_of(member, at=timezone.now())
    best = ranked(candidates, need, seed)[:LOOKED_INTO]
    return ranked(_looked_into(best), need, seed)[0].sheet_id


def _candidates(member: Membership) -> list[Candidate]:
    """By what lists tell of a track: the facts stay unread."""
    sheets = list(
        sheets_unknown_to(member).values(
            "pk", "convention_version", "analysis__tempo_bpm", "analysis__steady", "analysis__grid_confidence"
        )[:MOST_COMPARED]
    )
    meanings = _meanings({sheet["convention_version"] for sheet in sheets})
    marked: dict[UUID, list[int]] = defaultdict(list)
    markers = SheetMarker.objects.filter(sheet__in=[sheet["pk"] for sheet in sheets]).order_by()
    for sheet_id, slot in markers.values_list("sheet", "slot"):
        marked[sheet_id].append(slot)
    return [
        Candidate(
            sheet["pk"],
            frozenset(meanings[sheet["convention_version"], slot] for slot in marked[sheet["pk"]]),
            _traits(sheet, "analysis__"),
        )
        for sheet in sheets
        if marked[sheet["pk"]]
    ]


def _meanings(version_ids: Iterable[UUID]) -> dict[tuple[UUID, int], Meaning]:
    slots = Slot.objects.filter(version__in=version_ids).order_by()
    return {
        (version, number): (function, which)
        for version, number, function, which in slots.values_list("version", "number", "function", "which")
    }


def _looked_into(candidates: Sequence[Candidate]) -> list[Candidate]:
    """The same with all their traits."""
    rows = SheetVersion.objects.filter(pk__in=[one.sheet_id for one in candidates]).order_by()
    found = {row["pk"]: _traits(row, "analysis__") for row in rows.values("pk", *_named("analysis__"))}
    return [replace(one, traits=found[one.sheet_id]) for one in candidates]


_COLUMNS = ("tempo_bpm", "steady", "grid_confidence")
_FACTS = ("beats_per_bar", "drops", "phrase_confidence", "phrases_us", "downbeats_us")


def _named(prefix: str) -> list[str]:
    return [*(prefix + name for name in _COLUMNS), *(f"{prefix}facts__{name}" for name in _FACTS)]


def _traits(row: Mapping[str, Any], prefix: str) -> Traits:
    """What a row of ``_named`` values, or of the columns alone, tells of a track."""
    hard = set()
    if not row[f"{prefix}steady"] or row[f"{prefix}grid_confidence"] < SURE_GRID:
        hard.add("unsteady grid")
    facts = {name: row.get(f"{prefix}facts__{name}") for name in _FACTS}
    drops = facts["drops"]
    if drops and drops[0].get("soft"):
        hard.add("soft first drop")
    if facts["phrases_us"] and slipped(facts["phrases_us"], facts["downbeats_us"] or (), facts["phrase_confidence"]):
        hard.add("slipped phrase")
    return Traits(row[f"{prefix}tempo_bpm"], frozenset(hard), facts["beats_per_bar"] or 0)


def slipped(phrases_us: Sequence[int], downbeats_us: Sequence[int], confidence: float | None) -> bool:
    """Whether phrases are unsure, or one that another follows has not eight bars."""
    if confidence is not None and confidence < SURE_PHRASES:
        return True
    bars = [bisect_left(downbeats_us, at) for at in phrases_us]
    return any(after - before != PHRASE_BARS for before, after in pairwise(bars))


def need_of(member: Membership, *, at: dt.datetime) -> Need:
    """What the member should meet next at an instant."""
    cards = SlotCard.objects.filter(membership=member).order_by("due_at", "function", "which")
    rows = list(cards.values_list("function", "which", "due_at"))
    drills = Drill.objects.filter(membership=member).exclude(handed_in_at=None).order_by()
    kinds: Counter[str] = Counter()
    handed_in = 0
    for row in drills.values(*_named("sheet__analysis__")):
        handed_in += 1
        kinds.update(_traits(row, "sheet__analysis__").kinds)
    misses = list(
        DrillScore.objects.filter(drill__membership=member)
        .order_by("-drill__handed_in_at", "slot")
        .values_list("miss", flat=True)[:_LATEST_SLOTS]
    )
    share = sum(miss in RIGHT for miss in misses) / len(misses) if misses else None
    return Need(
        due=[(function, which) for function, which, due in rows if due <= at],
        met=frozenset((function, which) for function, which, _ in rows),
        kinds=kinds,
        allowed=allowed_hard(handed_in, share),
    )
