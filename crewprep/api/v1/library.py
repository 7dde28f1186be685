"""The library: tracks searched and sorted, searches that are kept, changes of many tracks."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.utils import timezone
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.base import CrewEndpoint, listed, several
from crewprep.api.v1.people import person_field
from crewprep.common.errors import NotFound
from crewprep.crates.selectors import crate_for
from crewprep.crews.models import Membership
from crewprep.crews.selectors import members_of
from crewprep.library.bulk import MOST_TRACKS, UNDO_FOR, change_many, undo
from crewprep.library.cursor import beyond, cursor_of
from crewprep.library.models import BulkChange, BulkKind, SavedSearch, Stand, TrackStanding
from crewprep.library.search import ANY_CHECK, ANYBODY, KEYS, NOBODY, SORT_CHOICES, Search, matching, ordered
from crewprep.library.selectors import broken_checks, bulk_change_for, chosen_tracks, search_for, searches_of
from crewprep.library.services import drop_search, save_search
from crewprep.preparation.models import Claim
from crewprep.preparation.selectors import live_claims
from crewprep.sheets.house_checks import CHECKS

MOST_A_PAGE = 200


class LibraryQuery(serializers.Serializer[object]):
    """What to find. Whatever is left out asks for nothing; ranges include both ends."""

    q = serializers.CharField(
        required=False, allow_blank=True, max_length=200,
        help_text="Words of title or artist, whatever their case and accents.",
    )  # fmt: skip
    state = serializers.MultipleChoiceField(choices=Stand.choices, required=False)
    holder = serializers.CharField(
        required=False, max_length=150, help_text=f"A sign-in name, `{NOBODY}` or `{ANYBODY}`."
    )
    tempo_from = serializers.FloatField(required=False)
    tempo_to = serializers.FloatField(required=False)
    key = serializers.ChoiceField(choices=KEYS, required=False)
    level_from = serializers.FloatField(required=False, help_text="LUFS.")
    level_to = serializers.FloatField(required=False, help_text="LUFS.")
    check = serializers.ChoiceField(
        choices=[ANY_CHECK, *(check.code for check in CHECKS)], required=False,
        help_text="A house check that the sheet breaks, or `any` of those that are not switched off.",
    )  # fmt: skip
    confidence_from = serializers.FloatField(required=False, help_text="Of the draft's least certain marker, 0 to 1.")
    confidence_to = serializers.FloatField(required=False)
    crate = serializers.UUIDField(required=False, help_text="Only tracks of this crate.")
    sort = serializers.ChoiceField(choices=SORT_CHOICES, default="title", help_text="A minus turns it round.")
    limit = serializers.IntegerField(default=50, min_value=1, max_value=MOST_A_PAGE)
    cursor = serializers.CharField(required=False, max_length=2000, help_text="`next` of the answer before.")


class HolderOut(serializers.Serializer[Claim]):
    """Who holds a track until when."""

    holder = person_field()
    until = serializers.DateTimeField()


class FoundTrackOut(serializers.Serializer[TrackStanding]):
    """A track and where it stands in the whole library."""

    id = serializers.UUIDField(source="track_id")
    title = serializers.CharField(source="track.title")
    artist = serializers.CharField(source="track.artist")
    state = serializers.ChoiceField(choices=Stand.choices)
    added_at = serializers.DateTimeField()
    duration_s = serializers.SerializerMethodField()
    tempo_bpm = serializers.FloatField(allow_null=True)
    steady = serializers.BooleanField()
    key = serializers.CharField(source="key_name", help_text="Such as A minor; empty where none was found.")
    loudness_lufs = serializers.FloatField(allow_null=True)
    confidence = serializers.FloatField(allow_null=True, help_text="Of the draft's least certain marker, 0 to 1.")
    sheet_version = serializers.IntegerField(source="sheet_number", allow_null=True)
    broken_checks = serializers.SerializerMethodField()
    claim = serializers.SerializerMethodField()

    def get_duration_s(self, row: TrackStanding) -> float | None:
        """Seconds."""
        return None if row.duration_us is None else row.duration_us / 1_000_000

    def get_broken_checks(self, row: TrackStanding) -> list[str]:
        """Codes of the house checks that the sheet breaks."""
        found: list[str] = self.context["broken"].get(row.track_id, [])
        return found

    @extend_schema_field(HolderOut(allow_null=True))
    def get_claim(self, row: TrackStanding) -> dict[str, Any] | None:
        """Who holds it now."""
        claim = self.context["claims"].get(row.track_id)
        return None if claim is None else dict(HolderOut(claim).data)


class LibraryOut(serializers.Serializer[object]):
    """A part of what was found. `next` is the cursor of the part that follows, null where none does."""

    count = serializers.IntegerField(help_text="How many tracks the search finds in all.")
    next = serializers.CharField(allow_null=True)
    results = several(FoundTrackOut)


class SearchIn(serializers.Serializer[object]):
    """A search to keep: the query of the Tracks page's address."""

    name = serializers.CharField(max_length=60)
    query = serializers.CharField(max_length=1000, allow_blank=True)
    shared = serializers.BooleanField(default=False, help_text="Whether the whole crew sees it.")


class SearchOut(serializers.Serializer[SavedSearch]):
    """A search that is kept."""

    id = serializers.UUIDField()
    name = serializers.CharField()
    query = serializers.CharField()
    shared = serializers.BooleanField()
    by = person_field()


class BulkIn(serializers.Serializer[object]):
    """What to do with which tracks."""

    do = serializers.ChoiceField(choices=BulkKind.choices)
    tracks = serializers.ListField(child=serializers.UUIDField(), min_length=1, max_length=MOST_TRACKS)
    crate = serializers.UUIDField(required=False, help_text="For `put` and `take`.")
    to = serializers.CharField(required=False, max_length=150, help_text="For `assign`: a sign-in name.")


class BulkOut(serializers.Serializer[BulkChange]):
    """What was done, and until when it can be taken back."""

    id = serializers.UUIDField()
    do = serializers.ChoiceField(source="kind", choices=BulkKind.choices)
    words = serializers.CharField(source="__str__")
    changed = serializers.SerializerMethodField()
    undo_until = serializers.SerializerMethodField()

    @extend_schema_field(serializers.ListField(child=serializers.UUIDField()))
    def get_changed(self, change: BulkChange) -> list[str]:
        """The tracks with which there was something to do."""
        return [entry["track"] for entry in change.changes]

    @extend_schema_field(serializers.DateTimeField())
    def get_undo_until(self, change: BulkChange) -> Any:
        """When the time to take it back is over."""
        return timezone.localtime(change.created_at + UNDO_FOR).isoformat()


class UndoneOut(serializers.Serializer[object]):
    """What came of taking it back."""

    back = serializers.IntegerField(help_text="Tracks that are as they were.")
    left = serializers.IntegerField(help_text="Tracks that had changed since and were left.")


class Library(CrewEndpoint):
    """The crew's tracks, as lists ask for them."""

    @extend_schema(operation_id="search_library", parameters=[LibraryQuery], responses=LibraryOut, tags=["library"])
    def get(self, request: Request, crew: str) -> Response:
        """Search, narrow and sort; go on with `cursor`."""
        given = self.read_query(LibraryQuery, request)
        rows = matching(self.member, self._search(given))
        sort, limit = given["sort"], given["limit"]
        following = beyond(rows, sort, given["cursor"]) if "cursor" in given else rows
        shown = list(ordered(following, sort).select_related("track")[: limit + 1])
        more, shown = len(shown) > limit, shown[:limit]
        ids = [row.track_id for row in shown]
        context = {"claims": live_claims(ids), "broken": broken_checks(self.member, ids)}
        return Response(
            {
                "count": rows.count(),
                "next": cursor_of(shown[-1], sort) if more else None,
                "results": listed(FoundTrackOut, shown, context=context),
            }
        )

    def _search(self, given: dict[str, Any]) -> Search:
        holder: str | int = given.get("holder", "")
        if holder not in ("", NOBODY, ANYBODY):
            holder = _member(self.member, str(holder)).user_id
        plain = (
            "tempo_from", "tempo_to", "key", "level_from", "level_to", "check", "confidence_from", "confidence_to",
        )  # fmt: skip
        return Search(
            text=given.get("q", ""),
            states=tuple(sorted(given.get("state", ()))),
            holder=holder,
            crate=crate_for(self.member, given["crate"]).pk if "crate" in given else None,
            **{name: given[name] for name in plain if name in given},
        )


class Searches(CrewEndpoint):
    """Searches that are kept."""

    @extend_schema(operation_id="list_searches", responses=SearchOut(many=True), tags=["library"])
    def get(self, request: Request, crew: str) -> Response:
        """One's own, and those that are shared with the crew."""
        return Response(listed(SearchOut, searches_of(self.member)))

    @extend_schema(operation_id="save_search", request=SearchIn, responses={201: SearchOut}, tags=["library"])
    def post(self, request: Request, crew: str) -> Response:
        """Keep a search under a name."""
        given = self.read(SearchIn, request)
        return Response(SearchOut(save_search(member=self.member, **given)).data, status=201)


class OneSearch(CrewEndpoint):
    """A search that is kept."""

    @extend_schema(operation_id="delete_search", responses={204: None}, tags=["library"])
    def delete(self, request: Request, crew: str, search: UUID) -> Response:
        """Forget it (whoever kept it, or a lead)."""
        drop_search(member=self.member, search=search_for(self.member, search))
        return Response(status=204)


class Changes(CrewEndpoint):
    """Changes of many tracks."""

    @extend_schema(operation_id="change_tracks", request=BulkIn, responses={201: BulkOut}, tags=["library"])
    def post(self, request: Request, crew: str) -> Response:
        """Put tracks into a crate or take them out, give them to a member, release them, ask for missing drafts."""
        given = self.read(BulkIn, request)
        ids = given["tracks"]
        tracks = chosen_tracks(self.member, ids)
        if len(tracks) < len(set(ids)):
            raise NotFound
        change = change_many(
            member=self.member,
            kind=given["do"],
            tracks=tracks,
            crate=crate_for(self.member, given["crate"]) if "crate" in given else None,
            to=_member(self.member, given["to"]) if "to" in given else None,
        )
        return Response(BulkOut(change).data, status=201)


class UndoChange(CrewEndpoint):
    """Taking a change of many tracks back."""

    @extend_schema(operation_id="undo_change", request=None, responses=UndoneOut, tags=["library"])
    def post(self, request: Request, crew: str, change: UUID) -> Response:
        """Within half an hour, by whoever made it; tracks that have changed since are left."""
        return Response(UndoneOut(undo(member=self.member, change=bulk_change_for(self.member, change))).data)


def _member(member: Membership, username: str) -> Membership:
    found = members_of(member).filter(user__username=username).first()
    if found is None:
        raise NotFound
    return found
