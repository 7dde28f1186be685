"""Tokens: asked for with name and password, shown once, stored hashed; for one crew or all, to read or to write."""

from __future__ import annotations

from typing import cast
from uuid import UUID

from django.utils.decorators import method_decorator
from django.views.decorators.debug import sensitive_post_parameters
from drf_spectacular.utils import extend_schema
from knox.models import AuthToken
from rest_framework import serializers
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.auth import GuessThrottle, TokenAuthentication, issue_token, require_whole_account
from crewprep.api.base import Endpoint, WholeNumber, listed
from crewprep.common.errors import Conflict
from crewprep.common.policy import Policy
from crewprep.crews.models import TokenScope, User
from crewprep.crews.tokens import MAX_DAYS, token_for, tokens_of, withdraw_token


class TokenIn(serializers.Serializer[object]):
    """Name and password, and what the token shall be for."""

    username = serializers.CharField(max_length=150)
    password = serializers.CharField(max_length=200, trim_whitespace=False, write_only=True)
    name = serializers.CharField(max_length=60, allow_blank=True, default="", help_text="What you call the token.")
    crew = serializers.CharField(
        max_length=40, allow_blank=True, default="", help_text="The one crew that it opens; empty for all of yours."
    )
    may_write = serializers.BooleanField(default=True, help_text="Whether it may change anything.")
    days = WholeNumber(min_value=1, max_value=MAX_DAYS, default=30, help_text="How long it works.")


class TokenOut(serializers.Serializer[object]):
    """The token, this once."""

    id = serializers.UUIDField()
    token = serializers.CharField()
    expires_at = serializers.DateTimeField()


class TokenLineOut(serializers.Serializer[TokenScope]):
    """A token as its owner sees it again: everything but its text."""

    id = serializers.UUIDField()
    name = serializers.CharField()
    crew = serializers.CharField(source="crew.slug", allow_null=True, default=None)
    may_write = serializers.SerializerMethodField()
    created_at = serializers.DateTimeField(source="token.created")
    expires_at = serializers.DateTimeField(source="token.expiry", allow_null=True)
    last_used_at = serializers.DateTimeField(allow_null=True, help_text="To the minute.")

    def get_may_write(self, scope: TokenScope) -> bool:
        """Whether it may change anything."""
        return not scope.read_only


@method_decorator(sensitive_post_parameters("password"), name="dispatch")
class Tokens(Endpoint):
    """Tokens of whoever knows a name and its password."""

    policy = Policy.PUBLIC
    authentication_classes = []
    permission_classes = [AllowAny]
    throttle_classes = [GuessThrottle]

    @extend_schema(operation_id="make_token", request=TokenIn, responses={201: TokenOut}, tags=["tokens"], auth=[])
    def post(self, request: Request) -> Response:
        """Exchange name and password for a token; send it as `Authorization: Token …`."""
        given = self.read(TokenIn, request)
        given |= {"crew_slug": given.pop("crew"), "read_only": not given.pop("may_write")}
        scope, text = issue_token(request=request, **given)
        return Response(TokenOut({"id": scope.pk, "token": text, "expires_at": scope.token.expiry}).data, status=201)


class OwnTokens(Endpoint):
    """The caller's tokens."""

    @extend_schema(operation_id="list_tokens", responses=TokenLineOut(many=True), tags=["tokens"])
    def get(self, request: Request) -> Response:
        """Your tokens, newest first; a token for one crew sees none."""
        require_whole_account(request)
        return Response(listed(TokenLineOut, tokens_of(cast(User, request.user))))


class OwnToken(Endpoint):
    """One of the caller's tokens."""

    @extend_schema(operation_id="withdraw_token", request=None, responses={204: None}, tags=["tokens"])
    def delete(self, request: Request, token_id: UUID) -> Response:
        """Make one of your tokens worthless at once."""
        require_whole_account(request)
        user = cast(User, request.user)
        withdraw_token(user=user, token=token_for(user, token_id))
        return Response(status=204)


class CurrentToken(Endpoint):
    """The token that the request carries; one that may only read can still be made worthless."""

    changes_nothing = True

    @extend_schema(operation_id="delete_token", request=None, responses={204: None}, tags=["tokens"])
    def delete(self, request: Request) -> Response:
        """Make the token of this request worthless."""
        if not isinstance(request.successful_authenticator, TokenAuthentication):
            raise Conflict("token:none")
        token: AuthToken = request.auth
        token.delete()
        return Response(status=204)
