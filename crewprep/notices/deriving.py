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
from collections.abc import Callable, Collection, Iterator

from django.db import IntegrityError, OperationalError, transaction
from django.db.models import Q
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
from crewprep.review.lifecycle import PENDING
from crewprep.review.models import Proposal, ProposalState, Remark
from crewprep.review.rules import authors_of, may_review
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
    """Whom a proposal waits for: the one it was put to, else those whom a split of a crate named; where they may not
    review it, or are gone, everyone who may.
    """
    may = _reviewers(proposal)
    put_to = [member for member in may if member.user_id == proposal.asked_id]
    if put_to:
        return put_to
    given = Assignment.objects.filter(track=proposal.track_id, reviewer__isnull=False)
    named = set(given.values_list("reviewer_id", flat=True))
    return [member for member in may if member.user_id in named] or may


def _reviewers(proposal: Proposal) -> list[Membership]:
    members = Membership.objects.filter(crew=proposal.crew_id, user__is_active=True).select_related("user")
    return [member for member in members if may_review(member, proposal)]


def _proposal(row: Activity) -> Proposal | None:
    return (
        Proposal.objects.filter(pk=row.subject_id)
        .select_related("track", "crew")
        .prefetch_related("contributors")
        .first()
    )


def _proposal_path(proposal: Proposal) -> str:
    return reverse("proposal", args=[proposal.crew.slug, proposal.pk])


_TO_REVIEW = (Kind.REVIEW_ASKED, Kind.SECOND_APPROVAL)


def _settle(proposal: Proposal, row: Activity, *kinds: Kind, but_of: Collection[int] = ()) -> None:
    """What a proposal was waiting for is done: older notices of these kinds about it need no reading, but of whom it
    waits for still.
    """
    Notice.objects.filter(
        crew=proposal.crew_id, subject_id=proposal.pk, kind__in=kinds, read_at=None, happened_at__lt=row.created_at
    ).exclude(recipient__in=but_of).update(read_at=row.created_at)


_DID = {
    "proposed": "proposed a sheet for “{title}”",
    "proposal changed": "changed the proposal for “{title}”",
    "proposal merged": "merged the proposal for “{title}” with a newer sheet",
    "proposal opened again": "opened the proposal for “{title}” again",
}


def _asked(row: Activity) -> Iterator[Planned]:
    """To whom the proposal was put: it is in the queue, as it is now."""
    proposal = _proposal(row)
    if proposal is None:
        return
    _settle(proposal, row, Kind.RETURNED, *_TO_REVIEW)
    if proposal.state != ProposalState.OPEN:
        return
    did = _DID[row.verb].format(title=proposal.track.title)
    for member in reviewers_to_ask(proposal):
        yield Planned(
            member.user_id, Kind.REVIEW_ASKED, _revision(proposal), proposal.pk,
            f"{did}, and it waits for your review.", _proposal_path(proposal), row.created_at, by=row.actor_id,
        )  # fmt: skip


def _put_to(row: Activity) -> Iterator[Planned]:
    """To the one it was put to by hand, or when a member left; whoever was asked before need not read that any more."""
    proposal = _proposal(row)
    if proposal is None or proposal.asked_id is None or proposal.asked_id != row.details.get("person"):
        return  # put to yet another by now, of which a later row tells
    asked = {member.user_id for member in reviewers_to_ask(proposal)} & {proposal.asked_id}
    if proposal.state != ProposalState.OPEN or not asked:
        return  # one that was returned asks them when it is changed
    _settle(proposal, row, *_TO_REVIEW)
    title, by_hand = proposal.track.title, row.verb == "reviewer asked"
    text = f"asked you to review the proposal for “{title}”." if by_hand else f"the review of “{title}” is yours now."
    for user in asked - {row.actor_id}:
        yield Planned(
            user, Kind.REVIEW_ASKED, f"{_revision(proposal)}:{row.pk}", proposal.pk, text, _proposal_path(proposal),
            row.created_at, by=row.actor_id if by_hand else None,
        )  # fmt: skip


def _approved_once(row: Activity) -> Iterator[Planned]:
    """To those who may give the second approval: as a review that waits for them to whom it is put, where they were
    not told so of this revision; as news to the others.
    """
    proposal = _proposal(row)
    if proposal is None or proposal.state != ProposalState.OPEN or proposal.revision != row.details.get("revision"):
        return
    asked = {member.user_id for member in reviewers_to_ask(proposal)}
    _settle(proposal, row, Kind.REVIEW_ASKED, but_of=asked)
    newly = asked - _told_to_review(proposal)
    for user in (member.user_id for member in _reviewers(proposal)):
        waits = "it waits for yours" if user in asked else "a second one makes it the sheet"
        yield Planned(
            user, Kind.REVIEW_ASKED if user in newly else Kind.SECOND_APPROVAL, _revision(proposal), proposal.pk,
            f"gave the first of two approvals for “{proposal.track.title}”, and {waits}.", _proposal_path(proposal),
            row.created_at, by=row.actor_id,
        )  # fmt: skip


def _revision(proposal: Proposal) -> str:
    return f"{proposal.pk}:{proposal.revision}"


def _told_to_review(proposal: Proposal) -> set[int]:
    """The users who were told that this revision waits for their review."""
    this = Q(about=_revision(proposal)) | Q(about__startswith=f"{_revision(proposal)}:")
    told = Notice.objects.filter(this, subject_id=proposal.pk, kind=Kind.REVIEW_ASKED)
    return set(told.order_by().values_list("recipient", flat=True))


def _remarked(row: Activity) -> Iterator[Planned]:
    """To the proposal's authors, but not to the writer; nothing of what was settled or decided before anybody looked.

    While an earlier one by the same writer is unread, a further one is no mail: who asks about five slots writes once.
    """
    found = _remark(row)
    if found is None or found[0].state not in PENDING or found[1].resolved_at is not None:
        return
    proposal, remark = found
    unread = Notice.objects.filter(kind=Kind.REMARKED, subject_id=proposal.pk, by=row.actor_id, read_at=None)
    told = set(unread.order_by().values_list("recipient", flat=True))
    for user in authors_of(proposal) - {row.actor_id}:
        yield Planned(
            user, Kind.REMARKED, str(remark.pk), proposal.pk,
            f"wrote a remark on slot {remark.slot} of “{proposal.track.title}”.", _thread_path(proposal, remark),
            row.created_at, by=row.actor_id, page_only=user in told,
        )  # fmt: skip


def _resolved(row: Activity) -> Iterator[Planned]:
    """To nobody; what was told of the remark need not be read any more."""
    Notice.objects.filter(kind=Kind.REMARKED, about=str(row.details.get("remark")), read_at=None).update(
        read_at=row.created_at
    )
    yield from ()


def _remark(row: Activity) -> tuple[Proposal, Remark] | None:
    """The remark that a row tells of, with its proposal."""
    proposal = _proposal(row)
    remark = proposal and Remark.objects.filter(pk=row.details.get("remark"), proposal=proposal).first()
    return (proposal, remark) if proposal and remark else None


def _thread_path(proposal: Proposal, remark: Remark) -> str:
    return f"{_proposal_path(proposal)}#thread-{remark.pk}"


def _replied(row: Activity) -> Iterator[Planned]:
    """To whoever made the remark and to the proposal's authors, but not to the writer."""
    found = _remark(row)
    if found is None:
        return
    proposal, remark = found
    for user in {remark.by_id, *authors_of(proposal)} - {row.actor_id}:
        whose = "your" if user == remark.by_id else "a"
        yield Planned(
            user, Kind.REPLIED, str(row.pk), proposal.pk,
            f"replied to {whose} remark on slot {remark.slot} of “{proposal.track.title}”.",
            _thread_path(proposal, remark), row.created_at, by=row.actor_id,
        )  # fmt: skip


def _returned(row: Activity) -> Iterator[Planned]:
    proposal = _proposal(row)
    if proposal is None:
        return
    _settle(proposal, row, *_TO_REVIEW)
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
    _settle(proposal, row, Kind.REMARKED, *_TO_REVIEW)
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
        _settle(proposal, row, Kind.RETURNED, Kind.REMARKED, *_TO_REVIEW)
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


def _signed_off(row: Activity) -> Iterator[Planned]:
    yield from _word_on(row, Kind.SIGNED_OFF, "signed you off: you are a resident now and may review", "queue")


def _asked_for_more(row: Activity) -> Iterator[Planned]:
    yield from _word_on(row, Kind.MORE_PRACTICE, "asked you for more practice before the sign-off", "progress")


def _word_on(row: Activity, kind: Kind, did: str, page: str) -> Iterator[Planned]:
    """To the one whom a lead gave their word on, with the note; what leads said before need not be read any more."""
    person, note = row.details.get("person"), str(row.details.get("note", ""))
    other = Membership.objects.filter(crew=row.crew_id, user=person).select_related("crew").first()
    if other is None:
        return
    Notice.objects.filter(
        crew=row.crew_id, recipient=other.user_id, kind=Kind.MORE_PRACTICE, read_at=None, happened_at__lt=row.created_at
    ).update(read_at=row.created_at)
    path = reverse(page, args=[other.crew.slug, *([other.pk] if page == "progress" else [])])
    yield Planned(
        other.user_id, kind, str(row.pk), row.subject_id, f"{did}{f', with the note “{note}”' if note else ''}.", path,
        row.created_at, by=row.actor_id,
    )  # fmt: skip


DERIVERS: dict[str, Callable[[Activity], Iterator[Planned]]] = {
    "proposed": _asked,
    "proposal changed": _asked,
    "proposal merged": _asked,
    "proposal opened again": _asked,
    "reviewer asked": _put_to,
    "review passed on": _put_to,
    "approved once": _approved_once,
    "remarked": _remarked,
    "remark resolved": _resolved,
    "replied": _replied,
    "returned": _returned,
    "approved": _approved,
    "withdrawn": _withdrawn,
    "track taken over": _taken_over,
    "track assigned": _assigned,
    "crate split": _split,
    "convention published": _published,
    "signed off": _signed_off,
    "asked for more practice": _asked_for_more,
}
"""What each verb of the record has to tell; other verbs tell nobody anything."""
