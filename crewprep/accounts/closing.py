"""Closing an account: the person goes, the record stays true.

After the right to erasure of the General Data Protection Regulation (EU 2016/679, article 17), without a promise that
every duty of whoever runs the service is met by it. Erased are names, address, password, sessions, tokens, rights in
the administration, unproposed work, holds, and what the sign-in guard noted under the name. The row stays as "former
member 7", under a number of its own: what the person proposed and reviewed belongs to the crew's record too (article
17, paragraph 3, knows such limits), and nobody's own proposal may become reviewable by losing its author. The number
says nothing of the name. Words that others wrote freely, such as a remark that names somebody, are not searched.
"""

from __future__ import annotations

from axes.models import AccessAttempt, AccessFailureLog, AccessLog
from django.contrib.admin.models import LogEntry
from django.contrib.contenttypes.models import ContentType
from django.contrib.sessions.models import Session
from django.db import IntegrityError, transaction
from django.db.models import Max

from crewprep.accounts.departing import end_membership
from crewprep.common.errors import Conflict
from crewprep.crews.models import Invitation, Membership, User
from crewprep.crews.tokens import drop_tokens
from crewprep.notices.models import AddressMail, Mail
from crewprep.preparation.models import Claim
from crewprep.sheets.models import KeptSheet

TRIES = 5


def close_account(*, user: User) -> User:
    """Leave every crew and erase who it was; raises ``Conflict`` for the last lead of a crew that has other members."""
    for tries_left in reversed(range(TRIES)):
        try:
            with transaction.atomic():
                return _close(user)
        except IntegrityError:
            if not tries_left:
                raise  # no rival for the next number can be there every time
    raise AssertionError("unreachable")


def _close(user: User) -> User:
    person = User.objects.select_for_update().get(pk=user.pk)
    if person.former_number is not None:
        raise Conflict("account:closed")
    memberships = Membership.objects.filter(user=person).select_related("crew", "user")
    for membership in memberships.order_by("crew_id"):  # always in this order, so that two who close wait, not lock up
        end_membership(membership, by=person, verb="member left")
    drop_tokens(person)
    KeptSheet.objects.filter(member=person).delete()
    Claim.objects.filter(holder=person).delete()
    Mail.objects.filter(recipient=person).delete()
    AddressMail.objects.filter(recipient=person).delete()
    Invitation.objects.filter(used_by=person).update(note="")
    _forget_sign_ins(person)
    number = (User.objects.aggregate(highest=Max("former_number"))["highest"] or 0) + 1
    person.former_number = number
    # No name to sign in with has a space in it, so this one is nobody's and never taken.
    person.username = f"former member {number}"
    person.display_name = person.first_name = person.last_name = ""
    person.email = person.confirmed_email = ""
    person.set_unusable_password()
    person.is_active = person.is_staff = person.is_superuser = False
    person.last_login = None
    person.sessions_round += 1
    person.save()
    person.groups.clear()
    person.user_permissions.clear()
    return person


def _forget_sign_ins(person: User) -> None:
    for session in Session.objects.iterator(chunk_size=500):
        if session.get_decoded().get("_auth_user_id") == str(person.pk):
            session.delete()
    for noted in (AccessAttempt, AccessFailureLog, AccessLog):
        noted.objects.filter(username=person.username).delete()
    kind = ContentType.objects.get_for_model(User)
    LogEntry.objects.filter(content_type=kind, object_id=str(person.pk)).update(object_repr="", change_message="")
