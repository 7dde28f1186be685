"""Every noun of the product, in the order in which the domain imports them."""

from crewprep.activity.models import Activity
from crewprep.analysis.models import Analysis
from crewprep.conventions.models import Convention, ConventionDraft, ConventionVersion, Slot
from crewprep.crates.models import Crate, CrateTrack, Night
from crewprep.crews.models import Crew, Invitation, Membership, Role, TokenScope, User
from crewprep.exchange.models import ListImport, ListState
from crewprep.jobs.models import Job, JobKind, JobState
from crewprep.library.models import BrokenCheck, BulkChange, BulkKind, SavedSearch, Stand, TrackStanding
from crewprep.notices.models import DerivedActivity, Mail, Notice, NoticeChoices, NoticeCursor
from crewprep.preparation.models import Assignment, Claim, PreparationTime, Split
from crewprep.readiness.models import CalendarFeed
from crewprep.review.models import (
    Proposal,
    ProposalState,
    ProposedMarker,
    Remark,
    Reply,
    ReviewOptions,
    Verdict,
    VerdictKind,
)  # fmt: skip
from crewprep.sheets.models import (
    CheckSetting,
    CountedSheet,
    Draft,
    DraftMarker,
    KeptSheet,
    Recheck,
    RecheckEnd,
    SheetMarker,
    SheetVersion,
)  # fmt: skip
from crewprep.tracks.models import AudioKind, Copy, KnownAudio, Track, TrackState
from crewprep.webhooks.models import Delivery, DeliveryState, Webhook

__all__ = [
    "Activity",
    "Analysis",
    "Assignment",
    "AudioKind",
    "BrokenCheck",
    "BulkChange",
    "BulkKind",
    "CalendarFeed",
    "CheckSetting",
    "Claim",
    "Convention",
    "ConventionDraft",
    "ConventionVersion",
    "Copy",
    "CountedSheet",
    "Crate",
    "CrateTrack",
    "Crew",
    "Delivery",
    "DeliveryState",
    "DerivedActivity",
    "Draft",
    "DraftMarker",
    "Invitation",
    "Job",
    "JobKind",
    "JobState",
    "KeptSheet",
    "KnownAudio",
    "ListImport",
    "ListState",
    "Mail",
    "Membership",
    "Night",
    "Notice",
    "NoticeChoices",
    "NoticeCursor",
    "PreparationTime",
    "Proposal",
    "ProposalState",
    "ProposedMarker",
    "Recheck",
    "RecheckEnd",
    "Remark",
    "Reply",
    "ReviewOptions",
    "Role",
    "SavedSearch",
    "SheetMarker",
    "SheetVersion",
    "Slot",
    "Split",
    "Stand",
    "TokenScope",
    "Track",
    "TrackStanding",
    "TrackState",
    "User",
    "Verdict",
    "VerdictKind",
    "Webhook",
]
