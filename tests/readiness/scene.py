"""A night with crates in every state."""

from __future__ import annotations

import datetime as dt
from typing import Any

from crewprep.crates.models import Crate, Night
from crewprep.crates.nights import NightPlan, make_night, put_under_night
from crewprep.crews.models import Membership
from crewprep.models import Job, JobState, Proposal, Track
from crewprep.preparation.services import claim_track
from crewprep.review.services import amend_proposal, approve_proposal, return_proposal
from tests import factories


def night_of(lead: Membership, *crates: Crate, in_days: int = 5, **plan: Any) -> Night:
    """A night in so many days with crates under it."""
    today = dt.datetime.now(dt.UTC).date()
    date = today + dt.timedelta(days=in_days)
    night = make_night(member=lead, plan=NightPlan(plan.pop("name", "Harbour Shed"), date, **plan))
    for crate in crates:
        put_under_night(member=lead, crate=crate, night=night)
    return night


def settled(track: Track) -> Track:
    """Its jobs are done."""
    Job.objects.filter(track=track).update(state=JobState.DONE)
    return track


def approved(lead: Membership, author: Membership, crate: Crate, track: Track | None = None) -> Track:
    """A track with an approved sheet by the crate's version."""
    proposal = factories.proposal(author, made=track, into=crate)
    approve_proposal(member=lead, proposal=proposal, seen_revision=proposal.revision)
    return proposal.track


def returned(lead: Membership, author: Membership, crate: Crate, times: int = 1) -> Proposal:
    """A proposal that was returned so many times."""
    proposal = factories.proposal(author, into=crate)
    for number in range(times):
        if number:
            amend_proposal(
                member=author, proposal=proposal, seen_revision=proposal.revision,
                markers=factories.eight_markers(proposal.analysis),
            )  # fmt: skip
        return_proposal(member=lead, proposal=proposal, seen_revision=proposal.revision, note="Listen again.")
    return proposal


def every_state(lead: Membership, author: Membership, crate: Crate) -> dict[str, Track]:
    """One track in each state of the board, by the state's name."""
    waiting = factories.track(lead, crate)
    bare = settled(factories.analysed_track(lead, crate))
    drafted = factories.analysed_track(lead, crate)
    factories.draft(drafted, crate.convention_version)
    held = factories.analysed_track(lead, crate)
    factories.draft(held, crate.convention_version)
    claim_track(member=author, track=held)
    return {
        "nothing": bare, "analysing": waiting, "draft": settled(drafted), "held": settled(held),
        "review": factories.proposal(author, into=crate).track, "returned": returned(lead, author, crate).track,
        "approved": approved(lead, author, crate),
    }  # fmt: skip
