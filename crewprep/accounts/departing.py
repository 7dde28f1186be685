"""Leaving a crew and being removed from it: at once, and with everything that hung on the membership.

The row of the membership goes (every door asks for it anew, so nothing stays open), and with it the crew's tokens, the
claims, what was assigned, the unproposed work, the notices and the invitations. What was proposed, reviewed and
recorded keeps the person as its author; an open proposal of theirs may be withdrawn by a lead as before.
"""

from __future__ import annotations

from django.db import transaction

from crewprep.activity.services import record
from crewprep.common.errors import Conflict
from crewprep.crews.models import Membership, User
from crewprep.crews.rules import may_end
from crewprep.crews.services import drop_invitations_of, keep_a_lead, lock_members
from crewprep.crews.tokens import drop_tokens
from crewprep.library.models import SavedSearch
from crewprep.notices.models import Notice, NoticeChoices
from crewprep.preparation.models import Claim
from crewprep.preparation.services import drop_assignments
from crewprep.review.asking import pass_on_reviews
from crewprep.sheets.models import KeptSheet


def leave_crew(*, member: Membership) -> None:
    """End one's own membership. Raises ``Conflict`` where the crew would be left without a lead."""
    with transaction.atomic():
        end_membership(member, by=member.user, verb="member left")


def remove_member(*, member: Membership, other: Membership) -> None:
    """End another's membership (leads). Raises ``Refused``; ``Conflict`` where they left already."""
    may_end(member, other).require()
    with transaction.atomic():
        end_membership(other, by=member.user, verb="member left" if other.pk == member.pk else "member removed")


def end_membership(membership: Membership, *, by: User | None, verb: str) -> None:
    """What every end of a membership does; inside the caller's transaction.

    Whatever else a member may hold in a crew is let go here, or hangs on the row of the membership itself.
    """
    lock_members(membership.crew)
    mine = {"crew": membership.crew}
    claims = Claim.objects.filter(**mine, holder=membership.user).delete()[0]
    kept = KeptSheet.objects.filter(**mine, member=membership.user).delete()[0]
    Notice.objects.filter(**mine, recipient=membership.user).delete()
    NoticeChoices.objects.filter(**mine, user=membership.user).delete()
    drop_assignments(membership)
    SavedSearch.objects.filter(**mine, by=membership.user, shared=False).delete()
    pass_on_reviews(membership.crew, membership.user, by=by)
    record(
        actor=by, verb=verb, subject=membership, role=str(membership.role), person=membership.user_id,
        claims=claims, kept=kept, invitations=drop_invitations_of(membership),
        tokens=drop_tokens(membership.user, membership.crew),
    )  # fmt: skip
    if not Membership.objects.filter(pk=membership.pk).delete()[0]:
        raise Conflict("member:moved-on")
    keep_a_lead(membership.crew)
