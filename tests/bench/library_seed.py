"""A crew with a large library, written straight into the tables: run by ``library_bench`` inside a fresh service."""

from __future__ import annotations

import datetime as dt
import json
import random
import sys
import uuid
from collections.abc import Iterator, Sequence
from typing import Any, TypeVar

from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from django.db import connection, models, transaction
from django.utils import timezone

from crewprep.activity.models import Activity
from crewprep.analysis.models import Analysis
from crewprep.analysis.thumbnail import thumbnail_of
from crewprep.crates.models import Crate, CrateTrack, Night
from crewprep.crews.models import Membership
from crewprep.jobs.models import Job, JobKind, JobState
from crewprep.library.upkeep import freshen, mark_all
from crewprep.onboarding.fates import SlotFate
from crewprep.onboarding.models import Fate, MarkerFate
from crewprep.preparation.models import Claim
from crewprep.review.models import Proposal, ProposalState, ProposedMarker
from crewprep.sheets.counting import recount_all
from crewprep.sheets.house_checks import CHECKS
from crewprep.sheets.models import Draft, DraftMarker, SheetMarker, SheetVersion
from crewprep.tracks.models import Copy, Track, TrackState
from tests import factories

TRACKS = 10_000
SLOTS = 8
_KEYS = ("A minor", "C major", "F# minor", "Eb major", "G minor", "B minor", "D minor")
_WORDS = ("amber", "basalt", "cinder", "delta", "ember", "fathom", "gravel", "harbour", "indigo", "juniper", "kelp")

_Row = TypeVar("_Row", bound=models.Model)


def seed(tracks: int = TRACKS) -> dict[str, Any]:
    """Fill the database; returns what the measuring side has to know."""
    chance = random.Random(7)
    lead = factories.crew_with(slug="bench")
    residents = [factories.member_of(lead.crew) for _ in range(9)]
    crate = factories.crate(lead, "Everything")
    with transaction.atomic():
        made = _library(lead, tracks, chance)
        usual = _crates(lead, crate, made, chance)
        analyses = _analyses(lead, made, chance)
        _sheets(lead, residents, crate, analyses, chance)
        _claims_and_record(lead, residents, made)
    recount_all()
    mark_all()
    freshen()
    _second_crew(residents[0], tracks, chance)
    with connection.cursor() as cursor:
        # As PostgreSQL's autovacuum, where it is on, does by itself within minutes of such a load; a test's transaction
        # allows none.
        vacuum = connection.vendor == "postgresql" and not connection.in_atomic_block
        cursor.execute("VACUUM ANALYZE" if vacuum else "ANALYZE")
    session = SessionStore()
    session[SESSION_KEY] = str(residents[0].user.pk)
    session[BACKEND_SESSION_KEY] = "django.contrib.auth.backends.ModelBackend"
    session[HASH_SESSION_KEY] = residents[0].user.get_session_auth_hash()
    session.create()
    return {
        "session": session.session_key,
        "crate": str(crate.pk),
        "night": str(crate.night_id),
        "usual_night": str(usual.pk),
        "holder": residents[1].user_id,
        "tracks": Track.objects.filter(crew=lead.crew).count(),
        "markers": sum(kind.objects.count() for kind in (DraftMarker, SheetMarker, ProposedMarker)),
    }


def _many(rows: Sequence[_Row] | Iterator[_Row]) -> list[_Row]:
    rows = list(rows)
    if rows:
        type(rows[0])._default_manager.bulk_create(rows, batch_size=500)
    return rows


def _library(lead: Membership, tracks: int, chance: random.Random) -> list[Track]:
    names = [f"{chance.choice(_WORDS)} {chance.choice(_WORDS)} {number}" for number in range(tracks)]
    made = _many(
        Track(
            crew=lead.crew, title=name.title(), artist=f"The {chance.choice(_WORDS).title()} Band",
            state=TrackState.READY if number % 50 else TrackState.CHECKING,
        )
        for number, name in enumerate(names)
    )  # fmt: skip
    _many(
        Copy(
            crew=lead.crew, track=track, original_name="x.flac", format="flac", size_bytes=9, sha256=uuid.uuid4().hex,
            audio_key=uuid.uuid4().hex,
        )
        for track in made
    )  # fmt: skip
    _many(
        Job(
            crew=lead.crew, track=track, kind=JobKind.ANALYSE, input_sha256="0", params_hash="0",
            state=JobState.DONE if track.state == TrackState.READY else JobState.QUEUED,
        )
        for track in made
    )  # fmt: skip
    return made


def _crates(lead: Membership, everything: Crate, tracks: list[Track], chance: random.Random) -> Night:
    """The crate of all tracks with its night, thirty crates of sixty; returns a night of three of those."""
    date = timezone.localdate() + dt.timedelta(days=9)
    everything.night = Night.objects.create(crew=lead.crew, name="All", date=date)
    everything.save()
    _many(CrateTrack(crate=everything, track=track, position=place) for place, track in enumerate(tracks, 1))
    for number in range(30):
        small = factories.crate(lead, f"Crate {number}")
        chosen = chance.sample(tracks, min(60, len(tracks)))
        _many(CrateTrack(crate=small, track=track, position=place) for place, track in enumerate(chosen, 1))
    usual = Night.objects.create(crew=lead.crew, name="Usual", date=date)
    Crate.objects.filter(crew=lead.crew, name__in=["Crate 1", "Crate 2", "Crate 3"]).update(night=usual)
    return usual


def _analyses(lead: Membership, tracks: list[Track], chance: random.Random) -> list[Analysis]:
    result = factories.analysis_result()
    facts, thumbnail = result.to_facts(), thumbnail_of(result)
    analyses: list[Analysis] = []
    ready = [track for track in tracks if track.state == TrackState.READY]
    for start in range(0, len(ready), 500):
        part = _many(
            Analysis(
                crew=lead.crew, track=track, engine="bench", pcm_sha256="0" * 64, duration_us=result.duration_us,
                tempo_bpm=round(chance.uniform(80, 180), 2), steady=True, key_name=chance.choice(_KEYS),
                loudness_lufs=round(chance.uniform(-16, -6), 1), true_peak_dbtp=-0.3, facts=facts, thumbnail=thumbnail,
            )
            for track in ready[start : start + 500]
        )  # fmt: skip
        for analysis in part:
            analysis.facts = {}
        analyses += part
    return analyses


def _sheets(
    lead: Membership, residents: list[Membership], crate: Crate, analyses: list[Analysis], chance: random.Random
) -> None:
    version, author = crate.convention_version, residents[2].user

    def times(slot: int) -> dict[str, Any]:
        return {"slot": slot, "start_us": slot * 10_000_000, "end_us": 84_000_000 if slot == SLOTS else None}

    drafts = _many(
        Draft(crew=lead.crew, track_id=analysis.track_id, analysis=analysis, convention_version=version)
        for analysis in analyses[: len(analyses) * 5 // 6]
    )
    _many(
        DraftMarker(draft=draft, confidence=round(chance.uniform(0.2, 1), 2), reason="bench", **times(slot))
        for draft in drafts
        for slot in range(1, SLOTS + 1)
    )
    codes = [check.code for check in CHECKS]
    sheets = _many(
        SheetVersion(
            crew=lead.crew, track_id=analysis.track_id, number=1, convention_version=version, analysis=analysis,
            proposed_by=author, approved_by=lead.user,
            findings=[
                {"check": code, "slot": 2, "sentence": "Slot 2 is not where it should be, by 9 ms."}
                for code in chance.sample(codes, chance.choice((0, 0, 1, 2)))
            ],
        )
        for analysis in analyses[::2][: len(analyses) * 2 // 5]
    )  # fmt: skip
    _many(SheetMarker(sheet=sheet, **times(slot)) for sheet in sheets for slot in range(1, SLOTS + 1))
    now = timezone.now()
    proposals = _many(
        Proposal(
            crew=lead.crew, track_id=analysis.track_id, convention_version=version, analysis=analysis,
            state=ProposalState.OPEN if number % 5 else ProposalState.RETURNED,
            proposed_by=chance.choice(residents).user, changed_by=author, changed_at=now,
        )
        for number, analysis in enumerate(analyses[1::2][: len(analyses) // 20])
    )  # fmt: skip
    _many(ProposedMarker(proposal=one, **times(slot)) for one in proposals for slot in range(1, SLOTS + 1))
    through = Proposal.contributors.through
    through.objects.bulk_create(through(proposal_id=one.pk, user_id=one.proposed_by_id) for one in proposals)


def _claims_and_record(lead: Membership, residents: list[Membership], tracks: list[Track]) -> None:
    now = timezone.now()
    _many(
        Claim(
            crew=lead.crew, track=track, holder=residents[number % 3].user, since=now,
            until=now + dt.timedelta(hours=2 if number % 2 else 1),
        )
        for number, track in enumerate(tracks[3 : 3 + 60])
    )  # fmt: skip
    _many(
        Activity(crew=lead.crew, verb=verb, subject_kind="track", subject_id=track.pk, details={})
        for track in tracks
        for verb in ("track uploaded", "work done", "track analysed")
    )


def _second_crew(member: Membership, sheets: int, chance: random.Random) -> None:
    """A crew of ``member``'s with so many sheets made from drafts of two engines, and what became of each marker."""
    lead = factories.crew_with(slug="bench-drafts")
    factories.member_of(lead.crew, person=member.user)
    version = factories.convention(lead)
    tracks = _many(Track(crew=lead.crew, title=f"Kelp {one}", state=TrackState.READY) for one in range(sheets))
    with transaction.atomic():
        analyses = _many(
            Analysis(
                crew=lead.crew, track=track, engine=chance.choice("23"), pcm_sha256="0", duration_us=1, steady=True,
                facts={},
            )
            for track in tracks
        )  # fmt: skip
        approved = _many(
            SheetVersion(
                crew=lead.crew, track_id=analysis.track_id, number=1, convention_version=version, analysis=analysis,
                proposed_by=member.user, approved_by=lead.user, findings=[],
            )
            for analysis in analyses
        )  # fmt: skip
        _many(
            MarkerFate(
                crew=lead.crew, sheet=sheet, engine=sheet.analysis.engine, slot=slot.number, function=slot.function,
                which=slot.which, fate=one.fate, confidence=one.confidence, off_us=one.off_us, off_beats=one.off_beats,
                phrases=one.phrases, band=one.band, quarters=one.quarters,
            )
            for sheet in approved
            for slot in version.slots.all()
            for one in [_fate(chance)]
        )  # fmt: skip


def _fate(chance: random.Random) -> SlotFate:
    (kind,) = chance.choices([Fate.KEPT, Fate.MOVED, Fate.DROPPED, Fate.ADDED], [60, 25, 10, 5])
    if kind == Fate.ADDED:
        return SlotFate(1, kind)
    # Most are moved by round numbers of beats, some by any quarter of one.
    off = chance.choice([0.5, 1, 2, 4, 8, 16, 32, 64, chance.randrange(2, 256) / 4]) if kind == Fate.MOVED else None
    phrases = int(off // 32) if off in (32, 64) else None
    return SlotFate(1, kind, chance.uniform(0.2, 1), None if off is None else int(off * 1e6), off, phrases)


if __name__ == "__main__":
    json.dump(seed(int(sys.argv[1]) if len(sys.argv) > 1 else TRACKS), sys.stdout)
