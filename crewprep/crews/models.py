"""Users, crews, membership."""

from __future__ import annotations

from django.contrib.auth.models import AbstractUser
from django.db import models
from django.db.models import Q
from django.utils.crypto import salted_hmac

from crewprep.common.models import CrewRow, Row


class User(AbstractUser):
    """A person who signs in. Belongs to crews through memberships.

    A closed account keeps its row, so that what was made and reviewed stays told apart; ``former_number`` is all that
    is left of the name.
    """

    display_name = models.CharField(max_length=80, blank=True)
    former_number = models.PositiveIntegerField(null=True, blank=True, unique=True, editable=False)
    sessions_round = models.PositiveIntegerField(default=0, editable=False)
    """Counted up to end every session that was begun before."""
    confirmed_email = models.EmailField("confirmed address", blank=True, default="", editable=False)
    """Where mails go: the last address that a press on a mailed link confirmed. ``email`` is what was typed; while the
    two differ, the typed one is not confirmed yet."""

    class Meta(AbstractUser.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(confirmed_email="") | ~Q(email=""), name="user_without_address_has_none_confirmed"
            )
        ]

    @property
    def address_confirmed(self) -> bool:
        """Whether the address that was typed last is confirmed."""
        return self.email != "" and self.email == self.confirmed_email

    def __str__(self) -> str:
        if self.former_number is not None:
            return f"former member {self.former_number}"
        return self.display_name or self.username

    def _get_session_auth_hash(self, secret: str | bytes | None = None) -> str:
        """As Django's, over the round as well: sessions of an earlier one are worthless."""
        signed = self.password if self.sessions_round == 0 else f"{self.password}:{self.sessions_round}"
        salt = "django.contrib.auth.models.AbstractBaseUser.get_session_auth_hash"
        return salted_hmac(salt, signed, secret=secret, algorithm="sha256").hexdigest()


class Crew(Row):
    """The people who share crates and one convention."""

    name = models.CharField(max_length=80)
    slug = models.SlugField(max_length=40, unique=True)
    members = models.ManyToManyField(User, through="crewprep.Membership", related_name="crews")

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class Role(models.TextChoices):
    """A lead runs the crew, a resident prepares and reviews, a newcomer prepares until signed off."""

    LEAD = "lead", "Lead"
    RESIDENT = "resident", "Resident"
    NEWCOMER = "newcomer", "Newcomer"


class Membership(CrewRow):
    """A user's place in a crew: the ``member`` that every rule asks about."""

    crew = models.ForeignKey(Crew, on_delete=models.CASCADE, related_name="memberships")
    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="memberships")
    role = models.CharField(max_length=10, choices=Role.choices)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["crew", "user"], name="membership_once_per_crew")]
        ordering = ["user__username"]

    def __str__(self) -> str:
        return f"{self.user} ({self.role} of {self.crew})"


class Invitation(CrewRow):
    """A link by which one person joins a crew in a role. Its token is shown once and stored as its SHA-256 alone."""

    role = models.CharField(max_length=10, choices=Role.choices)
    note = models.CharField(max_length=120, blank=True)
    """Whom it is for, as its maker knows them."""
    token_hash = models.CharField(max_length=64, unique=True)
    made_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    expires_at = models.DateTimeField()
    used_by = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")
    used_at = models.DateTimeField(null=True)
    withdrawn_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(used_at__isnull=True, used_by__isnull=True)
                | Q(used_at__isnull=False, used_by__isnull=False),
                name="invitation_used_by_somebody",
            ),
            models.CheckConstraint(
                condition=Q(used_at__isnull=True) | Q(withdrawn_at__isnull=True),
                name="invitation_used_or_withdrawn",
            ),
        ]
        indexes = [models.Index(fields=["crew", "-created_at"], name="invitation_by_crew")]
        ordering = ["-created_at"]

    def __str__(self) -> str:
        return f"invitation as {self.role}"


class TokenScope(Row):
    """What a token of the API is called and how far it reaches; without such a row it reaches as far as its user."""

    token = models.OneToOneField("knox.AuthToken", on_delete=models.CASCADE, related_name="scope")
    name = models.CharField(max_length=60, blank=True)
    crew = models.ForeignKey(Crew, null=True, on_delete=models.CASCADE, related_name="+")
    """The one crew that it opens; empty for all of its user's."""
    read_only = models.BooleanField(default=False)
    last_used_at = models.DateTimeField(null=True)

    def __str__(self) -> str:
        return self.name or "token"
