"""One's own account: names, everything tied to it, closing it. A token for one crew has no say in it."""

from __future__ import annotations

from typing import Any, cast

from django.utils.decorators import method_decorator
from django.views.decorators.debug import sensitive_post_parameters
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.accounts.closing import close_account
from crewprep.accounts.export import export_of
from crewprep.accounts.profile import change_profile
from crewprep.api.auth import GuessThrottle, require_whole_account, who_knows
from crewprep.api.base import Endpoint
from crewprep.common.errors import Invalid
from crewprep.crews.models import User
from crewprep.notices.addresses import ask_again, leave_earlier


class AccountIn(serializers.Serializer[object]):
    """The name that others see, and an address; empty for none. A new address is mailed a link that confirms it."""

    display_name = serializers.CharField(max_length=80, allow_blank=True)
    email = serializers.EmailField(max_length=254, allow_blank=True)


class AccountOut(serializers.Serializer[User]):
    """Who the caller is."""

    username = serializers.CharField()
    display_name = serializers.CharField()
    email = serializers.CharField()
    email_confirmed = serializers.BooleanField(
        source="address_confirmed", help_text="Whether the link that was mailed there has been opened and pressed."
    )
    mails_go_to = serializers.CharField(
        source="confirmed_email",
        help_text="The confirmed address, empty for none: the earlier one until a new one is confirmed.",
    )


class ExportOut(serializers.Serializer[object]):
    """Everything that is tied to the caller, model by model."""

    format = serializers.CharField()
    version = serializers.IntegerField()
    made_at = serializers.DateTimeField()
    account = serializers.DictField()
    sections = serializers.DictField(child=serializers.ListField(child=serializers.DictField()))
    left_out = serializers.DictField(child=serializers.CharField(), help_text="What is not here, with the reason.")


class CloseIn(serializers.Serializer[object]):
    """The caller's password."""

    password = serializers.CharField(max_length=200, trim_whitespace=False, write_only=True)


class OwnEndpoint(Endpoint):
    """An endpoint about the account of whoever asks."""

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Keep tokens for one crew away."""
        super().initial(request, *args, **kwargs)
        require_whole_account(request)
        self.user = cast(User, request.user)


class Account(OwnEndpoint):
    """The caller's account."""

    @extend_schema(operation_id="get_account", responses=AccountOut, tags=["account"])
    def get(self, request: Request) -> Response:
        """Who you are here."""
        return Response(AccountOut(self.user).data)

    @extend_schema(operation_id="change_account", request=AccountIn, responses=AccountOut, tags=["account"])
    def put(self, request: Request) -> Response:
        """Change the name that others see, and your address."""
        change_profile(user=self.user, **self.read(AccountIn, request))
        return Response(AccountOut(self.user).data)


class AddressLink(OwnEndpoint):
    """The mail with the link that confirms an address."""

    @extend_schema(operation_id="mail_address_link", request=None, responses={204: None}, tags=["account"])
    def post(self, request: Request) -> Response:
        """Mail the link once more to the address that is not confirmed yet: once in ten minutes, five times a day."""
        ask_again(user=self.user)
        return Response(status=204)


class EarlierAddress(OwnEndpoint):
    """The confirmed address that another is to replace."""

    @extend_schema(operation_id="leave_earlier_address", responses={204: None}, tags=["account"])
    def delete(self, request: Request) -> Response:
        """Mail nothing more to the earlier address while the new one is not confirmed."""
        leave_earlier(user=self.user)
        return Response(status=204)


class Export(OwnEndpoint):
    """Everything tied to the caller."""

    @extend_schema(operation_id="export_account", responses=ExportOut, tags=["account"])
    def get(self, request: Request) -> Response:
        """Everything here that is tied to you; other members are not named."""
        return Response(export_of(self.user))


@method_decorator(sensitive_post_parameters("password"), name="dispatch")
class Close(OwnEndpoint):
    """The end of the account."""

    throttle_classes = [GuessThrottle]

    @extend_schema(operation_id="close_account", request=CloseIn, responses={204: None}, tags=["account"])
    def post(self, request: Request) -> Response:
        """Leave every crew and erase who you are, for good; what you did stays, without your name."""
        given = self.read(CloseIn, request)
        if who_knows(request, self.user.username, given["password"]) != self.user:
            raise Invalid("account:password-wrong")
        close_account(user=self.user)
        return Response(status=204)
