"""Routes of version 1."""

from __future__ import annotations

from django.urls import path

from crewprep.api.schema import Document
from crewprep.api.v1 import (
    account,
    checks,
    claims,
    convention_drafts,
    conventions,
    crates,
    crew_life,
    crews,
    jobs,
    library,
    nights,
    notices,
    proposals,
    rechecks,
    sheets,
    splits,
    tokens,
    tracks,
)

app_name = "api"

_CREW = "crews/<slug:crew>/"
_CRATE = f"{_CREW}crates/<uuid:crate>/"
_DRAFT = f"{_CREW}convention-draft/"
_TRACK = f"{_CREW}tracks/<uuid:track>/"
_PROPOSAL = f"{_CREW}proposals/<uuid:proposal>/"
_NIGHT = f"{_CREW}nights/<uuid:night>/"
_JOB = f"{_CREW}jobs/<uuid:job>/"

urlpatterns = [
    path("schema/", Document.as_view(), name="schema"),
    path("tokens/", tokens.Tokens.as_view(), name="tokens"),
    path("tokens/current/", tokens.CurrentToken.as_view(), name="current-token"),
    path("tokens/own/", tokens.OwnTokens.as_view(), name="own-tokens"),
    path("tokens/own/<uuid:token_id>/", tokens.OwnToken.as_view(), name="own-token"),
    path("account/", account.Account.as_view(), name="account"),
    path("account/export/", account.Export.as_view(), name="account-export"),
    path("account/close/", account.Close.as_view(), name="account-close"),
    path("join/", crew_life.Join.as_view(), name="join"),
    path("crews/", crews.Crews.as_view(), name="crews"),
    path(_CREW, crews.OneCrew.as_view(), name="crew"),
    path(f"{_CREW}members/", crews.Members.as_view(), name="members"),
    path(f"{_CREW}members/<uuid:member_id>/", crew_life.OneMember.as_view(), name="member"),
    path(f"{_CREW}members/<uuid:member_id>/hand-over/", crew_life.HandOver.as_view(), name="hand-over"),
    path(f"{_CREW}roles/", crew_life.Roles.as_view(), name="roles"),
    path(f"{_CREW}invitations/", crew_life.Invitations.as_view(), name="invitations"),
    path(f"{_CREW}invitations/<uuid:invitation_id>/", crew_life.OneInvitation.as_view(), name="invitation"),
    path(f"{_CREW}conventions/", conventions.Conventions.as_view(), name="conventions"),
    path(f"{_CREW}conventions/<uuid:convention>/", conventions.OneConvention.as_view(), name="convention"),
    path(f"{_CREW}conventions/<uuid:convention>/compare/", conventions.ComparedConventions.as_view(), name="compare"),
    path(f"{_CREW}conventions/<uuid:convention>/rechecks/", rechecks.Rechecks.as_view(), name="rechecks"),
    path(f"{_CREW}rechecks/<uuid:recheck>/", rechecks.StillRight.as_view(), name="recheck"),
    path(_DRAFT, convention_drafts.DraftOfConvention.as_view(), name="convention-draft"),
    path(f"{_DRAFT}effect/", convention_drafts.EffectOfDraft.as_view(), name="convention-draft-effect"),
    path(f"{_DRAFT}renew/", convention_drafts.RenewDraft.as_view(), name="convention-draft-renew"),
    path(f"{_DRAFT}publish/", convention_drafts.PublishDraft.as_view(), name="convention-draft-publish"),
    path(f"{_CREW}checks/", checks.Checks.as_view(), name="checks"),
    path(f"{_CREW}checks/sheets/", checks.CheckedSheets.as_view(), name="checked-sheets"),
    path(f"{_CREW}crates/", crates.Crates.as_view(), name="crates"),
    path(_CRATE, crates.OneCrate.as_view(), name="crate"),
    path(f"{_CRATE}move/", crates.MoveOfCrate.as_view(), name="crate-move"),
    path(f"{_CRATE}tracks/", crates.Uploads.as_view(), name="crate-tracks"),
    path(f"{_CRATE}night/", nights.NightOfCrate.as_view(), name="crate-night"),
    path(f"{_CREW}nights/", nights.Nights.as_view(), name="nights"),
    path(_NIGHT, nights.OneNight.as_view(), name="night"),
    path(f"{_NIGHT}board/", nights.BoardOfNight.as_view(), name="board"),
    path(f"{_NIGHT}at-risk/", nights.AtRiskOfNight.as_view(), name="at-risk"),
    path(f"{_NIGHT}burn-down/", nights.BurnDownOfNight.as_view(), name="burn-down"),
    path(f"{_CREW}calendar-address/", nights.CalendarAddress.as_view(), name="calendar-address"),
    path(f"{_CRATE}estimates/", splits.Estimates.as_view(), name="estimates"),
    path(f"{_CRATE}split/", splits.SplitOfCrate.as_view(), name="split"),
    path(f"{_CRATE}split/preview/", splits.PreviewOfSplit.as_view(), name="split-preview"),
    path(f"{_CRATE}split/drop-out/", splits.DropOut.as_view(), name="split-drop-out"),
    path(f"{_CREW}library/", library.Library.as_view(), name="library"),
    path(f"{_CREW}library/searches/", library.Searches.as_view(), name="searches"),
    path(f"{_CREW}library/searches/<uuid:search>/", library.OneSearch.as_view(), name="search"),
    path(f"{_CREW}library/changes/", library.Changes.as_view(), name="changes"),
    path(f"{_CREW}library/changes/<uuid:change>/undo/", library.UndoChange.as_view(), name="change-undo"),
    path(f"{_CREW}tracks/", tracks.Tracks.as_view(), name="tracks"),
    path(_TRACK, tracks.OneTrack.as_view(), name="track"),
    path(f"{_TRACK}analysis/", tracks.AnalysisOfTrack.as_view(), name="analysis"),
    path(f"{_TRACK}claim/", claims.ClaimOfTrack.as_view(), name="claim"),
    path(f"{_TRACK}draft/", tracks.DraftOfTrack.as_view(), name="draft"),
    path(f"{_TRACK}tags/", tracks.TagsOfTrack.as_view(), name="track-tags"),
    path(f"{_TRACK}sheet/", sheets.Sheet.as_view(), name="sheet"),
    path(f"{_TRACK}sheet.csv", sheets.SheetCsv.as_view(), name="sheet-csv"),
    path(f"{_CREW}notices/", notices.Notices.as_view(), name="notices"),
    path(f"{_CREW}notices/read/", notices.AllRead.as_view(), name="notices-read"),
    path(f"{_CREW}notices/choices/", notices.Choices.as_view(), name="notice-choices"),
    path(f"{_CREW}notices/<uuid:notice>/read/", notices.OneRead.as_view(), name="notice-read"),
    path(f"{_CREW}proposals/", proposals.Proposals.as_view(), name="proposals"),
    path(_PROPOSAL, proposals.OneProposal.as_view(), name="proposal"),
    path(f"{_PROPOSAL}markers/", proposals.Markers.as_view(), name="proposal-markers"),
    path(f"{_PROPOSAL}approve/", proposals.Approve.as_view(), name="proposal-approve"),
    path(f"{_PROPOSAL}return/", proposals.Return.as_view(), name="proposal-return"),
    path(f"{_PROPOSAL}withdraw/", proposals.Withdraw.as_view(), name="proposal-withdraw"),
    path(_JOB, jobs.OneJob.as_view(), name="job"),
    path(f"{_JOB}retry/", jobs.Retry.as_view(), name="job-retry"),
]
