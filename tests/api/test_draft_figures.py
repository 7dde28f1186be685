"""Figures on drafts by the API, and the warning in a draft."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from crewprep.crews.models import Membership
from crewprep.review.services import approve_proposal
from tests import factories
from tests.api.conftest import Crewed
from tests.api.contract import Caller
from tests.factories.fates import drafts, fates

As = Callable[[Membership], Caller]


def test_figures_and_warning(crewed: Crewed, as_member: As) -> None:
    caller, path = as_member(crewed.newcomer), f"{crewed.base}draft-figures/"
    assert caller.get(path).json() == {"engines": [], "slots": [], "calibration": []}
    track = factories.analysed_track(crewed.lead, crewed.crate)
    factories.draft(track, crewed.crate.convention_version)
    draft = f"{crewed.base}tracks/{track.pk}/draft/"
    assert {marker["warning"] for marker in caller.get(draft).json()["markers"]} == {""}

    sheet = approve_proposal(
        member=crewed.lead, proposal=factories.proposal(crewed.author, into=crewed.crate), seen_revision=1
    )
    fates(sheet, [*drafts(9, 22), *drafts(30, 0, "outro", engine="2")])
    figures = caller.get(path).json()
    assert figures["engines"] == ["3", "2"]
    assert [(slot["engine"], slot["function"], slot["weak"]) for slot in figures["slots"]] == [
        ("2", "outro", False), ("3", "drop", True),
    ]  # fmt: skip
    (drop,) = caller.get(f"{path}?engine=3").json()["slots"]
    assert drop["tally"]["kept"] == {
        "count": 9, "of": 31, "value": pytest.approx(9 / 31), "low": pytest.approx(0.16096, abs=1e-5),
        "high": pytest.approx(0.46592, abs=1e-5),
    }  # fmt: skip
    assert (drop["tally"]["median_beats"], drop["bands"][0]["low"]) == (32.0, 0.9)
    assert caller.get(f"{path}?engine=7").json()["slots"] == []
    warned = {marker["slot"]: marker["warning"] for marker in caller.get(draft).json()["markers"] if marker["warning"]}
    assert warned == {4: "Drafts of this slot were kept in 9 of 31 sheets: listen twice."}
