"""Roles, members' memberships, invitations: what the crew's page does."""

from __future__ import annotations

from typing import Any, cast
from uuid import UUID

from django.urls import reverse
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.accounts.departing import remove_member
from crewprep.accounts.permissions import ROLES, permission_table
from crewprep.api.auth import require_whole_account
from crewprep.api.base import CrewEndpoint, Endpoint, listed, several
from crewprep.api.v1.crews import CrewOut, MemberOut
from crewprep.api.v1.people import person_field
from crewprep.common.access import Denied
from crewprep.crews.invitations import invite, join, withdraw_invitation
from crewprep.crews.models import Invitation, Role, User
from crewprep.crews.rules import may_look_after_members
from crewprep.crews.selectors import invitation_for, membership_for, pending_invitations
from crewprep.crews.services import change_role, hand_over


class AnswerOut(serializers.Serializer[object]):
    """Whether a role may do a thing; the reason is empty where it may."""

    role = serializers.ChoiceField(choices=Role.choices)
    allowed = serializers.BooleanField()
    reason = serializers.CharField()


class PermissionOut(serializers.Serializer[object]):
    """A thing that members do, with the rules' answer to each role."""

    code = serializers.CharField()
    words = serializers.CharField()
    answers = several(AnswerOut)


class RoleIn(serializers.Serializer[object]):
    """A role, and the one that it takes the place of."""

    role = serializers.ChoiceField(choices=Role.choices)
    seen_role = serializers.ChoiceField(choices=Role.choices, help_text="The role that you saw.")


class HandOverIn(serializers.Serializer[object]):
    """The role that the caller has afterwards."""

    stay_as = serializers.ChoiceField(choices=Role.choices, default=Role.RESIDENT)


class InvitationIn(serializers.Serializer[object]):
    """As what, and for whom."""

    role = serializers.ChoiceField(choices=Role.choices)
    note = serializers.CharField(max_length=120, allow_blank=True, default="")


class InvitationOut(serializers.Serializer[Invitation]):
    """An invitation that can still be used."""

    id = serializers.UUIDField()
    role = serializers.ChoiceField(choices=Role.choices)
    note = serializers.CharField()
    made_by = person_field()
    expires_at = serializers.DateTimeField()


class MadeInvitationOut(InvitationOut):
    """A new invitation with its token and the page that it opens, this once."""

    token = serializers.CharField()
    link = serializers.URLField()


class JoinIn(serializers.Serializer[object]):
    """The token of an invitation."""

    token = serializers.CharField(max_length=100)


class Roles(CrewEndpoint):
    """What each role may do."""

    @extend_schema(operation_id="list_permissions", responses=PermissionOut(many=True), tags=["crews"])
    def get(self, request: Request, crew: str) -> Response:
        """What each role may do, with the reason where it may not: the answers of the rules themselves."""
        return Response([_permission(row) for row in permission_table(self.member.crew)])


class OneMember(CrewEndpoint):
    """A membership."""

    @extend_schema(operation_id="get_member", responses=MemberOut, tags=["crews"])
    def get(self, request: Request, crew: str, member_id: UUID) -> Response:
        """One member."""
        return Response(MemberOut(membership_for(self.member, member_id)).data)

    @extend_schema(operation_id="change_role", request=RoleIn, responses=MemberOut, tags=["crews"])
    def put(self, request: Request, crew: str, member_id: UUID) -> Response:
        """Give a member another role (leads)."""
        other, given = membership_for(self.member, member_id), self.read(RoleIn, request)
        role = Role(given["role"])
        changed = change_role(member=self.member, other=other, role=role, seen_role=given["seen_role"])
        return Response(MemberOut(changed).data)

    @extend_schema(operation_id="end_membership", request=None, responses={204: None}, tags=["crews"])
    def delete(self, request: Request, crew: str, member_id: UUID) -> Response:
        """Leave (one's own membership), or remove a member (leads); at once."""
        remove_member(member=self.member, other=membership_for(self.member, member_id))
        return Response(status=204)


class HandOver(CrewEndpoint):
    """The lead, handed over."""

    @extend_schema(operation_id="hand_over", request=HandOverIn, responses=MemberOut, tags=["crews"])
    def post(self, request: Request, crew: str, member_id: UUID) -> Response:
        """Make a member lead and change your own role, in one step (leads)."""
        other, given = membership_for(self.member, member_id), self.read(HandOverIn, request)
        return Response(MemberOut(hand_over(member=self.member, to=other, stay_as=Role(given["stay_as"]))).data)


class Invitations(CrewEndpoint):
    """Invitations of the crew (leads)."""

    @extend_schema(operation_id="list_invitations", responses=InvitationOut(many=True), tags=["crews"])
    def get(self, request: Request, crew: str) -> Response:
        """Invitations that can still be used, newest first (leads)."""
        may_look_after_members(self.member).require()
        return Response(listed(InvitationOut, pending_invitations(self.member)))

    @extend_schema(operation_id="invite", request=InvitationIn, responses={201: MadeInvitationOut}, tags=["crews"])
    def post(self, request: Request, crew: str) -> Response:
        """Make a link by which one person joins within seven days (leads)."""
        may_look_after_members(self.member).require()
        given = self.read(InvitationIn, request)
        invitation, token = invite(member=self.member, role=Role(given["role"]), note=given["note"])
        link = request.build_absolute_uri(reverse("join", args=[token]))
        return Response({**InvitationOut(invitation).data, "token": token, "link": link}, status=201)


class OneInvitation(CrewEndpoint):
    """An invitation."""

    @extend_schema(operation_id="withdraw_invitation", request=None, responses={204: None}, tags=["crews"])
    def delete(self, request: Request, crew: str, invitation_id: UUID) -> Response:
        """Make the link worthless (leads)."""
        withdraw_invitation(member=self.member, invitation=invitation_for(self.member, invitation_id))
        return Response(status=204)


class Join(Endpoint):
    """Joining by invitation."""

    @extend_schema(operation_id="join", request=JoinIn, responses={201: CrewOut}, tags=["crews"])
    def post(self, request: Request) -> Response:
        """Use an invitation with the account that asks; a token for one crew cannot."""
        require_whole_account(request)
        given = self.read(JoinIn, request)
        return Response(CrewOut(join(token=given["token"], user=cast(User, request.user))).data, status=201)


def _permission(row: Any) -> dict[str, Any]:
    answers = [
        {"role": role, "allowed": bool(answer), "reason": answer.sentence if isinstance(answer, Denied) else ""}
        for role, answer in zip(ROLES, row.answers, strict=True)
    ]
    return {"code": row.permission.code, "words": row.permission.words, "answers": answers}
