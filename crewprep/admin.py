"""For whoever runs the installation: users, crews and their members; everything else to look at, not to change.

What a crew made is changed through the product alone, where each change is checked and recorded.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar

from django.contrib import admin
from django.contrib.auth.admin import UserAdmin
from django.db import models, transaction
from django.forms import ModelForm
from django.http import HttpRequest

from crewprep.accounts.departing import end_membership
from crewprep.activity.models import Activity
from crewprep.activity.services import record
from crewprep.analysis.models import Analysis
from crewprep.conventions.models import Convention, ConventionDraft, ConventionVersion
from crewprep.crates.models import Crate, Night
from crewprep.crews.models import Crew, Invitation, Membership, User
from crewprep.exchange.models import ListImport
from crewprep.jobs.models import Job
from crewprep.library.models import BrokenCheck, BulkChange, SavedSearch, TrackStanding
from crewprep.notices.addresses import write_address
from crewprep.notices.models import AddressMail, Mail, Notice
from crewprep.preparation.models import Assignment, PreparationTime, Split
from crewprep.readiness.models import CalendarFeed
from crewprep.review.models import Proposal, ReviewOptions
from crewprep.sheets.models import Draft, Recheck, SheetVersion
from crewprep.tracks.models import Copy, KnownAudio, Track
from crewprep.webhooks.models import Delivery

if TYPE_CHECKING:
    # Generic for the type checker alone; Django's own class is not.
    _CrewAdmin = admin.ModelAdmin[Crew]
    _MembershipAdmin = admin.ModelAdmin[Membership]
    _AnyAdmin = admin.ModelAdmin[Any]
    _PersonAdmin = UserAdmin[User]
else:
    _PersonAdmin = UserAdmin
    _CrewAdmin = _MembershipAdmin = _AnyAdmin = admin.ModelAdmin


@admin.register(User)
class PersonAdmin(_PersonAdmin):
    """Users with the name that others see."""

    list_display = ("username", "display_name", "is_active", "is_staff")
    fieldsets = ((None, {"fields": ("display_name", "confirmed_email")}), *(UserAdmin.fieldsets or ()))
    readonly_fields = ("confirmed_email",)

    def save_model(self, request: HttpRequest, obj: User, form: ModelForm[User], change: bool) -> None:
        """Save; an address that is typed here is mailed a link to confirm it by like any other."""
        typed, obj.email = obj.email, form.initial.get("email", "")
        with transaction.atomic():
            super().save_model(request, obj, form, change)
            write_address(user=obj, address=typed)

    def has_delete_permission(self, request: HttpRequest, obj: User | None = None) -> bool:
        """Never: an account is closed (``manage.py close_account``), which keeps the record true."""
        return False


@admin.register(Crew)
class CrewAdmin(_CrewAdmin):
    """Crews. Removing one would remove all that it made, so that is not offered here."""

    list_display = ("name", "slug")
    prepopulated_fields = {"slug": ("name",)}

    def has_delete_permission(self, request: HttpRequest, obj: Crew | None = None) -> bool:
        """Never."""
        return False


@admin.register(Membership)
class MembershipAdmin(_MembershipAdmin):
    """Who is in which crew; each change is recorded as in the product."""

    list_display = ("user", "crew", "role")
    list_filter = ("crew", "role")
    autocomplete_fields = ("user",)

    def get_readonly_fields(self, request: HttpRequest, obj: Membership | None = None) -> tuple[str, ...]:
        """A membership stays with its user and its crew; only the role changes."""
        return ("crew", "user") if obj else ()

    def save_model(self, request: HttpRequest, obj: Membership, form: ModelForm[Membership], change: bool) -> None:
        """Save and record."""
        with transaction.atomic():
            super().save_model(request, obj, form, change)
            verb = "role changed" if change else "member added"
            record(actor=_person(request), verb=verb, subject=obj, role=str(obj.role), person=obj.user_id)

    def delete_model(self, request: HttpRequest, obj: Membership) -> None:
        """Remove as the crew's own page does; the last lead of a crew is refused there too."""
        with transaction.atomic():
            end_membership(obj, by=_person(request), verb="member removed")

    def delete_queryset(self, request: HttpRequest, queryset: models.QuerySet[Membership]) -> None:
        """Remove and record one by one."""
        with transaction.atomic():
            for membership in queryset.select_related("user", "crew"):
                self.delete_model(request, membership)


class LookOnly(_AnyAdmin):
    """Shown, not changed."""

    list_filter: ClassVar[tuple[str, ...]] = ("crew",)

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Never."""
        return False

    def has_change_permission(self, request: HttpRequest, obj: models.Model | None = None) -> bool:
        """Never."""
        return False

    def has_delete_permission(self, request: HttpRequest, obj: models.Model | None = None) -> bool:
        """Never."""
        return False


@admin.register(AddressMail)
class AddressMails(LookOnly):
    """Mails with links, and what the mail server said of them."""

    list_display = ("address", "recipient", "purpose", "state", "created_at", "error")
    list_filter: ClassVar[tuple[str, ...]] = ("purpose", "state")


def _person(request: HttpRequest) -> User:
    assert isinstance(request.user, User)  # the admin site lets nobody else in
    return request.user


for _model in (Activity, Analysis, Assignment, BrokenCheck, BulkChange, CalendarFeed, Convention, ConventionDraft,
               ConventionVersion, Copy, Crate, Delivery, Draft, Invitation, Job, KnownAudio, ListImport, Mail, Night,
               Notice, PreparationTime, Proposal, Recheck, ReviewOptions, SavedSearch, SheetVersion, Split, Track,
               TrackStanding):  # fmt: skip
    admin.site.register(_model, LookOnly)
