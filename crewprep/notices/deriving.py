"""Notices from the record of who did what.

The record is read from a cursor on, and a while back from it: a row is dated when it is written and seen when its
transaction commits, so that of two the later may be seen first. Which rows are done is kept by their ids; making the
notices and marking the row is one transaction, so that of two workers one does it. What breaks is logged and passed
over, since one row must not hold up all that follow.
"""

from __future__ import annotations

import datetime as dt
import logging
from collections import Counter
from collections.abc import Callable, Iterator

from django.db import IntegrityError, OperationalError, transaction
from django.urls import reverse

from crewprep.activity.models import Activity
from crewprep.conventions.models import ConventionVersion
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.jobs import clock
from crewprep.notices.kinds import Kind
from crewprep.notices.making import Planned, tell, track_path
from crewprep.notices.models import DerivedActivity, Notice, NoticeCursor
from crewprep.preparation.models import Assignment, Claim
from crewprep.review.models import Proposal, ProposalState
from crewprep.review.rules import may_review
from crewprep.webhooks import services as webhooks

log = logging.getLogger(__name__)

LOOK_BACK = dt.timedelta(hours=1)
"""How late a transaction may commit and still be told of: a busy SQLite waits 20 s, a web request ends after 300 s."""
AT_ONCE = 500


def derive(*, now: dt.datetime | None = None) -> int:
    """Make the notices of what is new in the record; how many rows were looked at."""
    now = now or clock.now()
    cursor, _ = NoticeCursor.objects.get_or_create(only=True, defaults={"read_until": now})
    since = cursor.read_until - LOOK_BACK
    done = DerivedActivity.objects.filter(at__gte=since)
    new = list(
        Activity.objects.filter(verb__in=DERIVERS, created_at__gte=since)
        .exclude(pk__in=done.values("activity_id"))
        .select_related("actor", "crew")
        .order_by("created_at")[:AT_ONCE]
    )
    for row in new:
        _derive_once(row)
    if len(new) < AT_ONCE:
        NoticeCursor.objects.filter(read_until__lt=now).update(read_until=now)
    return len(new)


def forget() -> int:
    """Remove the marks of rows that lie too far back to be looked at again."""
    cursor = NoticeCursor.objects.first()
    if cursor is None:
        return 0
    return DerivedActivity.objects.filter(at__lt=cursor.read_until - 2 * LOOK_BACK).delete()[0]


def _derive_once(row: Activity) -> None:
    try:
        _mark_and_tell(row)
    except OperationalError:
        raise  # the database is busy or gone; the row is as it was
    except Exception:
        log.exception("Nothing could be told of activity %s (%s).", row.pk, row.verb)
        DerivedActivity.objects.get_or_create(activity_id=row.pk, defaults={"at": row.created_at})


def _mark_and_tell(row: Activity) -> None:
    with transaction.atomic():
        try:
            with transaction.atomic():
                DerivedActivity.objects.create(activity_id=row.pk, at=row.created_at)
        except IntegrityError:
            return  # another worker has it
        tell(row.crew_id, list(DERIVERS[row.verb](row)))


def reviewers_to_ask(proposal: Proposal) -> list[Membership]:
    """Whom a proposal waits for: whoever was given its review, where they may; else everyone who may."""
    members = Membership.objects.filter(crew=proposal.crew_id).select_related("user")
    may = [member for member in members if may_review(member, proposal)]
    given = Assignment.objects.filter(track=proposal.track_id, reviewer__isnull=False)
    named = set(given.values_list("reviewer_id", flat=True))
    return [member for member in may if member.user_id in named] or may


def authors_of(proposal: Proposal) -> set[int]:
    """The users who had a hand in a proposal's markers."""
    return {proposal.proposed_by_id, proposal.changed_by_id, *(one.pk for one in proposal.contributors.all())}


def _proposal(row: Activity) -> Proposal | None:
    return (
        Proposal.objects.filter(pk=row.subject_id)
        .select_related("track", "crew")
        .prefetch_related("contributors")
        .first()
    )


def _proposal_path(proposal: Proposal) -> str:
    return reverse("proposal", args=[proposal.crew.slug, proposal.pk])


def _settle(proposal: Proposal, kind: Kind, row: Activity) -> None:
    """What a proposal was waiting for is done: older notices of a kind about it need no reading."""
    Notice.objects.filter(
        crew=proposal.crew_id, subject_id=proposal.pk, kind=kind, read_at=None, happened_at__lt=row.created_at
    ).update(read_at=row.created_at)


_DID = {
    "proposed": "proposed a sheet for",
    "proposal changed": "changed the proposal for",
    "proposal merged": "merged with a newer sheet the proposal for",
    "proposal opened again": "opened again the proposal for",
}


def _asked(row: Activity) -> Iterator[Planned]:
    proposal = _proposal(row)
    if proposal is None:
        return
    _settle(proposal, Kind.RETURNED, row)
    _settle(proposal, Kind.REVIEW_ASKED, row)
    if proposal.state != ProposalState.OPEN:
        return
    did = _DID[row.verb]
    for member in reviewers_to_ask(proposal):
        yield Planned(
            member.user_id, Kind.REVIEW_ASKED, f"{proposal.pk}:{proposal.revision}", proposal.pk,
            f"{did} “{proposal.track.title}”, and it waits for your review.", _proposal_path(proposal),
            row.created_at, by=row.actor_id,
        )  # fmt: skip


def _returned(row: Activity) -> Iterator[Planned]:
    proposal = _proposal(row)
    if proposal is None:
        return
    _settle(proposal, Kind.REVIEW_ASKED, row)
    webhooks.queue(row, proposal)
    for user in authors_of(proposal) - {row.actor_id}:
        yield Planned(
            user, Kind.RETURNED, str(row.pk), proposal.pk,
            f"returned the proposal for “{proposal.track.title}” with remarks.", _proposal_path(proposal),
            row.created_at, by=row.actor_id,
        )  # fmt: skip


def _approved(row: Activity) -> Iterator[Planned]:
    proposal = _proposal(row)
    if proposal is None:
        return
    _settle(proposal, Kind.REVIEW_ASKED, row)
    webhooks.queue(row, proposal)
    for user in authors_of(proposal) - {row.actor_id}:
        yield Planned(
            user, Kind.APPROVED, str(row.pk), proposal.pk,
            f"approved the proposal for “{proposal.track.title}” as sheet {row.details.get('sheet')}.",
            _proposal_path(proposal), row.created_at, by=row.actor_id,
        )  # fmt: skip


def _withdrawn(row: Activity) -> Iterator[Planned]:
    proposal = _proposal(row)
    if proposal is not None:
        _settle(proposal, Kind.REVIEW_ASKED, row)
        _settle(proposal, Kind.RETURNED, row)
    yield from ()


def _taken_over(row: Activity) -> Iterator[Planned]:
    """To the former holder: their hold is over, with the note."""
    former = row.details.get("former")
    claim = Claim.objects.filter(pk=row.subject_id).select_related("track", "crew").first()
    if claim is not None and isinstance(former, int) and former != row.actor_id:
        note = str(row.details.get("note", ""))
        words = f" with the note “{note}”." if note else "."
        yield _of_claim(row, claim, former, f"took over “{claim.track.title}” from you{words}")


def _assigned(row: Activity) -> Iterator[Planned]:
    """To the new holder, and to the former one where there was one."""
    claim = Claim.objects.filter(pk=row.subject_id).select_related("track", "crew").first()
    if claim is None:
        return
    new, former = row.details.get("person"), row.details.get("former")
    if isinstance(new, int) and new != row.actor_id:
        yield _of_claim(row, claim, new, f"gave you “{claim.track.title}” to prepare.")
    if isinstance(former, int) and former not in {new, row.actor_id}:
        yield _of_claim(row, claim, former, f"gave “{claim.track.title}”, which you held, to another member.")


def _split(row: Activity) -> Iterator[Planned]:
    """To everyone who was given tracks of a crate to prepare or to review."""
    crate = Crate.objects.filter(pk=row.subject_id).select_related("crew").first()
    if crate is None:
        return
    given = list(Assignment.objects.filter(crate=crate).values_list("preparer_id", "reviewer_id"))
    prepare, review = Counter(one for one, _ in given), Counter(other for _, other in given)
    for user in {*prepare, *review} - {None, row.actor_id}:
        share = {"prepare": prepare[user], "review": review[user]}
        parts = [f"{count} to {what}" for what, count in share.items() if count]
        yield Planned(
            user, Kind.CLAIM_MOVED, str(row.pk), crate.pk,
            f"divided “{crate.name}”: you have {' and '.join(parts)}.",
            reverse("crate", args=[crate.crew.slug, crate.pk]), row.created_at, by=row.actor_id,
        )  # fmt: skip


def _of_claim(row: Activity, claim: Claim, user: int, text: str) -> Planned:
    path = track_path(claim.crew, claim.track_id)
    return Planned(user, Kind.CLAIM_MOVED, str(row.pk), claim.track_id, text, path, row.created_at, by=row.actor_id)


def _published(row: Activity) -> Iterator[Planned]:
    version = ConventionVersion.objects.filter(pk=row.subject_id).select_related("convention", "crew").first()
    if version is None:
        return
    for user in (
        Membership.objects.filter(crew=row.crew_id).exclude(user=row.actor_id).values_list("user_id", flat=True)
    ):
        yield Planned(
            user, Kind.CONVENTION, str(row.pk), version.pk,
            f"published the convention “{version.convention.name}”, version {version.number}.",
            reverse("convention", args=[version.crew.slug]), row.created_at, by=row.actor_id,
        )  # fmt: skip


DERIVERS: dict[str, Callable[[Activity], Iterator[Planned]]] = {
    "proposed": _asked,
    "proposal changed": _asked,
    "proposal merged": _asked,
    "proposal opened again": _asked,
    "returned": _returned,
    "approved": _approved,
    "withdrawn": _withdrawn,
    "track taken over": _taken_over,
    "track assigned": _assigned,
    "crate split": _split,
    "convention published": _published,
}
"""What each verb of the record has to tell; other verbs tell nobody anything."""
