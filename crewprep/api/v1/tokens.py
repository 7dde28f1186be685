"""Tokens: asked for with name and password, shown once, stored hashed, gone after a month."""

from __future__ import annotations

from django.utils.decorators import method_decorator
from django.views.decorators.debug import sensitive_post_parameters
from drf_spectacular.utils import extend_schema
from knox.models import AuthToken
from rest_framework import serializers
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.auth import GuessThrottle, TokenAuthentication, issue_token
from crewprep.api.base import Endpoint
from crewprep.common.errors import Conflict
from crewprep.common.policy import Policy


class TokenIn(serializers.Serializer[object]):
    """Name and password."""

    username = serializers.CharField(max_length=150)
    password = serializers.CharField(max_length=200, trim_whitespace=False, write_only=True)


class TokenOut(serializers.Serializer[object]):
    """The token, this once."""

    token = serializers.CharField()
    expires_at = serializers.DateTimeField()


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
        token, text = issue_token(request=request, **given)
        return Response(TokenOut({"token": text, "expires_at": token.expiry}).data, status=201)


class CurrentToken(Endpoint):
    """The token that the request carries."""

    @extend_schema(operation_id="delete_token", request=None, responses={204: None}, tags=["tokens"])
    def delete(self, request: Request) -> Response:
        """Make the token of this request worthless."""
        if not isinstance(request.successful_authenticator, TokenAuthentication):
            raise Conflict("token:none")
        token: AuthToken = request.auth
        token.delete()
        return Response(status=204)
