"""A crew with 10,000 approved sheets and a draft of its next version: run by ``publishing_bench`` in a fresh service.

Seven of ten sheets follow the version that is current, the others the one before; one in twenty replaced an older one.
A sixth have nothing in slot 5, half nothing in slot 7, a fourth no exit loop, and one loop in fifty is longer than was
asked for.
"""

from __future__ import annotations

import random
from collections.abc import Iterable
from typing import Any, TypeVar

from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from django.db import connection, models, transaction

from crewprep.analysis.models import Analysis
from crewprep.conventions.models import ConventionDraft, ConventionVersion
from crewprep.conventions.services import save_draft
from crewprep.crates.models import Crate, CrateTrack
from crewprep.crews.models import Membership
from crewprep.sheets.counting import recount_all
from crewprep.sheets.models import CountedSheet, Recheck, SheetMarker, SheetVersion
from crewprep.sheets.publishing import publish_document
from crewprep.tracks.models import Track, TrackState
from tests import factories
from tests.factories.music import convention_document

TRACKS = 10_000
_WORDS = ("amber", "basalt", "cinder", "delta", "ember", "fathom", "gravel", "harbour", "indigo", "juniper", "kelp")

_Row = TypeVar("_Row", bound=models.Model)


def document(*changes: tuple[int, dict[str, Any]]) -> dict[str, Any]:
    """The current convention, in which slots 5 and 8 may stay empty, with some fields of slots changed."""
    found = convention_document()
    for number, fields in ((5, {"required": False}), *changes):
        found["slots"][number - 1].update(fields)
    return found


DRAFTS: dict[str, dict[str, Any]] = {
    "a slot more is required": document((5, {"required": True})),
    "every loop is too short": document((8, {"loop_bars": 8})),
    "a coarser snap": document((2, {"snap_beats": 4.0})),
}
"""The drafts that are measured: a sixth of the sheets is touched, three fourths, and those off the bar line, for which
the grid of every track is read."""


def seed(tracks: int = TRACKS) -> dict[str, Any]:
    """Fill the database; returns what the measuring side has to know."""
    chance = random.Random(11)
    lead = factories.crew_with(slug="bench")
    author = factories.member_of(lead.crew)
    older = publish_document(member=lead, document=document((1, {"snap_beats": 0.5})))
    crate = factories.crate(lead, "Everything")
    current = publish_document(member=lead, document=document())
    for _ in range(5):
        factories.crate(lead)
    with transaction.atomic():
        _sheets(lead, author, crate, (older, current), tracks, chance)
    recount_all()
    _tidy()
    session = SessionStore()
    session[SESSION_KEY] = str(lead.user.pk)
    session[BACKEND_SESSION_KEY] = "django.contrib.auth.backends.ModelBackend"
    session[HASH_SESSION_KEY] = lead.user.get_session_auth_hash()
    session.create()
    return {
        "session": session.session_key,
        "sheets": SheetVersion.objects.count(),
        "drafts": list(DRAFTS),
        "markers": SheetMarker.objects.count(),
    }


def write_draft(name: str) -> None:
    """Put one of ``DRAFTS`` in the place of the crew's draft, as its lead."""
    lead = Membership.objects.filter(crew__slug="bench", role="lead").get()
    ConventionDraft.objects.all().delete()
    save_draft(member=lead, document=DRAFTS[name], seen_revision=0)


def take_back() -> int:
    """Make as if the newest version had not been published, which only a throw-away database allows; returns how many
    sheets were on its list."""
    newest = ConventionVersion.objects.get(followed_by__isnull=True)
    with transaction.atomic():
        listed = Recheck.objects.filter(convention_version=newest).delete()[0]
        CountedSheet.objects.filter(convention_version=newest).delete()
        newest.delete()
    _tidy()
    return listed


def _tidy() -> None:
    with connection.cursor() as cursor:
        cursor.execute("VACUUM ANALYZE" if connection.vendor == "postgresql" else "ANALYZE")


def _many(rows: Iterable[_Row]) -> list[_Row]:
    made = list(rows)
    if made:
        type(made[0])._default_manager.bulk_create(made, batch_size=500)
    return made


def _sheets(
    lead: Membership,
    author: Membership,
    crate: Crate,
    versions: tuple[ConventionVersion, ConventionVersion],
    count: int,
    chance: random.Random,
) -> None:
    result = factories.analysis_result()
    facts, beats = result.to_facts(), result.beats_us
    tracks = _many(
        Track(crew=lead.crew, title=f"{chance.choice(_WORDS)} {chance.choice(_WORDS)} {number}".title(),
              artist=f"The {chance.choice(_WORDS).title()} Band", state=TrackState.READY)
        for number in range(count)
    )  # fmt: skip
    _many(CrateTrack(crate=crate, track=track, position=place) for place, track in enumerate(tracks, 1))
    analyses: list[Analysis] = []
    for first in range(0, count, 500):
        part = _many(
            Analysis(
                crew=lead.crew, track=track, engine="bench", pcm_sha256="0" * 64, duration_us=result.duration_us,
                tempo_bpm=128, steady=True, facts=facts,
            )
            for track in tracks[first : first + 500]
        )  # fmt: skip
        for analysis in part:
            analysis.facts = {}
        analyses += part
    sheets, loops = [], {}
    for analysis in analyses:
        replaced = chance.random() < 0.05
        for number in (1, 2) if replaced else (1,):
            odd = chance.random() < 0.02
            findings = [
                {"check": code, "slot": slot, "sentence": "Slot 2 is not where it should be, by 9 ms."}
                for code, slot in chance.sample(
                    (("grid", 2), ("runway", 2), ("phrase", 1)), chance.choice((0, 0, 1, 2))
                )
            ]
            if odd:
                findings.append({"check": "loop-length", "slot": 8, "sentence": "The loop lasts 8 bars."})
            sheet = SheetVersion(
                crew=lead.crew, track_id=analysis.track_id, number=number, analysis=analysis, findings=findings,
                convention_version=versions[chance.random() < 0.7], proposed_by=author.user, approved_by=lead.user,
            )  # fmt: skip
            loops[sheet.pk] = 8 if odd else 4
            sheets.append(sheet)
    _many(sheets)
    bars = {1: 0, 2: 16, 3: 32, 4: 40, 5: 56, 6: 72, 7: 50, 8: 80}
    filled = {5: 5 / 6, 7: 0.5, 8: 0.75}
    _many(
        SheetMarker(
            sheet=sheet, slot=slot, start_us=start, label="bells" if slot == 7 else "",
            end_us=beats[(bar + loops[sheet.pk]) * 4] if slot == 8 else None,
        )
        for sheet in sheets
        for slot, bar in bars.items()
        if chance.random() < filled.get(slot, 1)
        for start in [beats[bar * 4 + (chance.choice((0, 0, 0, 1)) if slot < 8 else 0)]]
    )  # fmt: skip
