"""Notices, mails, and each member's choices."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone

from crewprep.common.models import CrewRow, Row
from crewprep.notices.kinds import WAYS, Kind, Way


class MailState(models.TextChoices):
    """Where a mail stands. ``dropped``: nobody wants it any more; ``failed``: given up, with the reason."""

    WAITING = "waiting", "Waiting"
    SENDING = "sending", "Being sent"
    SENT = "sent", "Sent"
    FAILED = "failed", "Given up"
    DROPPED = "dropped", "Not wanted any more"


class Outgoing(models.Model):
    """A mail on its way to a user.

    ``token`` is new at every claim, so that a sender that slept past its lease cannot settle another's work.
    """

    recipient = models.ForeignKey("crewprep.User", on_delete=models.CASCADE, related_name="+")
    state = models.CharField(max_length=10, choices=MailState.choices, default=MailState.WAITING)
    due_at = models.DateTimeField(default=timezone.now)
    token = models.UUIDField(null=True)
    lease_until = models.DateTimeField(null=True)
    attempt = models.PositiveSmallIntegerField(default=0)
    sent_at = models.DateTimeField(null=True)
    error = models.CharField(max_length=200, blank=True, default="")

    class Meta:
        abstract = True
        constraints = [
            models.CheckConstraint(
                condition=~Q(state="sending") | Q(token__isnull=False, lease_until__isnull=False),
                name="%(class)s_sending_has_token",
            ),
            models.CheckConstraint(
                condition=~Q(state="sent") | Q(sent_at__isnull=False), name="%(class)s_sent_at_some_time"
            ),
        ]
        indexes = [
            models.Index(fields=["due_at"], condition=Q(state__in=["waiting", "sending"]), name="%(class)s_waiting")
        ]


class Mail(CrewRow, Outgoing):
    """One mail to one member: a single notice, or all that gathered for a digest."""

    digest = models.BooleanField(default=False)

    class Meta(Outgoing.Meta):
        pass

    def __str__(self) -> str:
        return f"mail to {self.recipient_id} ({self.state})"


class Purpose(models.TextChoices):
    """What a mailed link is for."""

    CONFIRM = "confirm", "Confirms the address"
    PASSWORD = "password", "Sets a new password"


class AddressMail(Row, Outgoing):
    """A mail with a link, whatever the user's choices are: to the typed address, which it confirms, or to the confirmed
    one, for a new password.

    The link is signed and kept nowhere; ``used_at`` is set by the press on it.
    """

    address = models.EmailField()
    purpose = models.CharField(max_length=10, choices=Purpose.choices, default=Purpose.CONFIRM)
    used_at = models.DateTimeField(null=True)

    class Meta(Outgoing.Meta):
        pass

    def __str__(self) -> str:
        return f"link to the address of {self.recipient_id} ({self.state})"


class Notice(CrewRow):
    """One thing that one member should know.

    ``about`` says what it tells of within its kind, so that each is told once; ``subject_id`` is the row it is about.
    ``text`` follows the name of ``by``, where somebody did it. Past ``good_until`` it is of no use to anybody.
    """

    recipient = models.ForeignKey("crewprep.User", on_delete=models.CASCADE, related_name="+")
    kind = models.CharField(max_length=20, choices=Kind.choices)
    about = models.CharField(max_length=120)
    subject_id = models.UUIDField()
    by = models.ForeignKey("crewprep.User", null=True, on_delete=models.SET_NULL, related_name="+")
    text = models.CharField(max_length=400)
    path = models.CharField(max_length=200)
    happened_at = models.DateTimeField()
    good_until = models.DateTimeField(null=True)
    read_at = models.DateTimeField(null=True)
    by_mail = models.BooleanField(default=False)
    mail = models.ForeignKey(Mail, null=True, on_delete=models.SET_NULL, related_name="notices")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["recipient", "kind", "about"], name="notice_told_once")]
        indexes = [
            models.Index(fields=["recipient", "crew"], condition=Q(read_at__isnull=True), name="notice_unread"),
            models.Index(fields=["recipient", "crew", "-happened_at"], name="notice_by_recipient"),
            models.Index(
                fields=["created_at"], condition=Q(by_mail=True, mail__isnull=True), name="notice_mail_waiting"
            ),
            models.Index(fields=["subject_id"], name="notice_by_subject"),
        ]

    def __str__(self) -> str:
        return self.sentence

    @property
    def sentence(self) -> str:
        """The notice as people read it."""
        return f"{self.by} {self.text}" if self.by else f"{self.text[:1].upper()}{self.text[1:]}"


class NoticeChoices(CrewRow):
    """How a member of a crew wants their notices. Hours are of the member's own clock (``zone``, an IANA name)."""

    user = models.ForeignKey("crewprep.User", on_delete=models.CASCADE, related_name="+")
    ways = models.JSONField(default=dict)
    mail_off = models.BooleanField(default=False)
    digest = models.BooleanField(default=False)
    digest_hour = models.PositiveSmallIntegerField(default=9)
    quiet_from = models.TimeField(null=True)
    quiet_until = models.TimeField(null=True)
    zone = models.CharField(max_length=60, default=settings.TIME_ZONE)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["crew", "user"], name="notice_choices_once"),
            models.CheckConstraint(condition=Q(digest_hour__lte=23), name="notice_digest_at_an_hour"),
        ]

    def __str__(self) -> str:
        return f"choices of {self.user_id}"

    def way(self, kind: str) -> str:
        """How a kind reaches this member; "unsubscribed from all" leaves the page."""
        chosen = self.ways.get(kind, WAYS[kind])
        return Way.PAGE if self.mail_off and chosen == Way.MAIL else chosen


class DerivedActivity(models.Model):
    """An activity row whose notices are made; kept for as long as it might be looked at again."""

    activity_id = models.UUIDField(primary_key=True)
    at = models.DateTimeField()

    class Meta:
        indexes = [models.Index(fields=["at"], name="derived_activity_by_time")]

    def __str__(self) -> str:
        return str(self.activity_id)


class NoticeCursor(Row):
    """One row: up to when the record has been read. What is committed late is found by looking back from there."""

    only = models.BooleanField(default=True, unique=True)
    read_until = models.DateTimeField()

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(only=True), name="notice_cursor_is_one_row")]

    def __str__(self) -> str:
        return f"read until {self.read_until:%Y-%m-%d %H:%M:%S}"
