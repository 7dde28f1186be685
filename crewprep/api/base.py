"""What every endpoint shares: its policy, its way in, strict input, pages of lists."""

from __future__ import annotations

import re
from typing import Any, ClassVar

from rest_framework import serializers
from rest_framework.pagination import PageNumberPagination
from rest_framework.permissions import SAFE_METHODS, AllowAny
from rest_framework.request import Request
from rest_framework.views import APIView

from crewprep.api.auth import reach
from crewprep.api.errors import OtherRevision, RevisionMissing
from crewprep.common.errors import NotFound, Refused
from crewprep.common.policy import Policy
from crewprep.crews.models import Membership
from crewprep.crews.selectors import member_for

MAX_INT = 2**31 - 1

_TAG = re.compile(r'(?:W/)?"[^"]*"')


class Endpoint(APIView):
    """An endpoint for whoever has signed in."""

    policy: ClassVar[Policy] = Policy.SIGNED_IN
    http_method_names = ["get", "head", "post", "put", "delete"]
    changes_nothing: ClassVar[bool] = False
    """Whether a token that may only read may use every method."""

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Settle who asks and how far their token reaches before anything else is looked at."""
        super().initial(request, *args, **kwargs)
        if request.method not in SAFE_METHODS and not self.changes_nothing and reach(request).read_only:
            raise Refused("token:read-only")

    def read(self, kind: type[serializers.Serializer[Any]], request: Request) -> dict[str, Any]:
        """The checked body; raises the framework's ``ValidationError``."""
        given = kind(data=request.data)
        given.is_valid(raise_exception=True)
        values: dict[str, Any] = given.validated_data
        return values

    def read_query(self, kind: type[serializers.Serializer[Any]], request: Request) -> dict[str, Any]:
        """The checked query parameters."""
        given = kind(data=request.query_params)
        given.is_valid(raise_exception=True)
        values: dict[str, Any] = given.validated_data
        return values


class CrewEndpoint(Endpoint):
    """An endpoint inside the crew of the path; ``self.member`` is who asks. Strangers get the 404 of a missing crew."""

    policy = Policy.MEMBER
    member: Membership

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Let members in before anything else is looked at, the method included."""
        super().initial(request, *args, **kwargs)
        self.member = member_for(request.user, kwargs["crew"])
        if reach(request).crew_id not in (None, self.member.crew_id):
            raise NotFound


class NothingHere(Endpoint):
    """Any other address under ``/api/``."""

    policy = Policy.PUBLIC
    authentication_classes = []
    permission_classes = [AllowAny]
    schema = None

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Nothing is here, whatever the method."""
        raise NotFound


class Pages(PageNumberPagination):
    """``?page=`` from 1 and ``?page_size=`` up to 200."""

    page_size = 50
    page_size_query_param = "page_size"
    max_page_size = 200

    def get_paginated_response_schema(self, schema: Any) -> dict[str, Any]:
        """Every name is always there; the framework's own description is of an older OpenAPI."""
        address = {"type": ["string", "null"], "format": "uri"}
        names = {"count": {"type": "integer"}, "next": address, "previous": address, "results": schema}
        return {"type": "object", "required": list(names), "properties": names}


def listed(kind: Any, rows: Any, **options: Any) -> list[dict[str, Any]]:
    """Rows, each as a serializer of ``kind`` writes it."""
    return list(kind(rows, many=True, **options).data)


def several(kind: Any, **options: Any) -> Any:
    """A field that holds a list of ``kind``; a function, as the framework's own spelling has no type."""
    return kind(many=True, **options)


class WholeNumber(serializers.IntegerField):
    """A JSON integer; no text, no fraction, no true or false."""

    def to_internal_value(self, data: Any) -> int:
        """Refuse what only looks like an integer."""
        if isinstance(data, bool) or not isinstance(data, int):
            self.fail("invalid")
        return int(super().to_internal_value(data))


def seen_revision(request: Request, *, current: int, code: str = "proposal:other-revision") -> int:
    """The revision that the caller looked at, from ``If-Match``.

    Raises ``RevisionMissing`` (428) without one, ``OtherRevision`` (412) with ``code`` where it is not the current one.
    Tags are compared strongly (RFC 9110, 8.8.3.2), so a weak one never matches; ``*`` names no revision.
    """
    header = request.headers.get("If-Match", "")
    tags = _TAG.findall(header)
    if not tags:
        raise RevisionMissing("request:revision-missing")
    if f'"{current}"' not in tags:
        raise OtherRevision(code, revision=current)
    return current
