"""What the words on the pages mean, the keys, and listening with care."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path

from analysis_worker.core.limits import Limits
from crewprep.common.policy import Policy, declare
from crewprep.web.crate_rows import STATES

KEYS = (
    ("Left, Right", "a beat back or on"),
    ("Shift + Left, Right", "a bar back or on"),
    ("Up, Down", "the row before or after"),
    ("Alt + Left, Right", "1 millisecond"),
    ("Home, End", "start or last beat of the row"),
    ("1 to 9, 0 for 10", "put that slot at the cursor"),
    ("Tab", "from marker to marker"),
    ("Delete", "remove the marker"),
    ("U or Ctrl + Z", "undo"),
    ("Shift + U or Ctrl + Shift + Z", "redo"),
    ("Space", "play or pause"),
    ("Enter", "play from the marker or the cursor"),
    ("Shift + Enter", "the same from two bars before"),
    ("Escape", "stop, close"),
    ("L", "loop the marker: a loop, or eight bars"),
    ("S", "hear a loop's seam: its last two beats, then its first two"),
    ("J, Shift + J", "jump to the marker at the next bar, phrase"),
    ("K", "eight bars with clicks on the beats"),
    ("O", "hear where the marker was, then where it is"),
    ("[, ]", "half, double the loop's length"),
    ("F", "put right what a house check found at the marker"),
    ("P", "propose the sheet"),
    ("Y", "hold the track for two hours more"),
    ("H", "grid: half a beat later"),
    ("Shift + H", "grid: bars and phrases a beat later"),
    ("B", "grid: a phrase begins at the cursor"),
    ("−, +", "grid: half, double the tempo"),
    ("<, >", "grid: 5 milliseconds earlier, later"),
    ("T", "tap the tempo along with the music"),
    ("?", "this list, on the track's page"),
)
"""As ``static/crewprep/js/tools.js`` lists them on the page itself; a test holds the two together."""

REVIEW_KEYS = (
    ("A", "approve, and on to the next proposal"),
    ("R", "return with your remarks, and on to the next"),
    ("C", "write a remark on the marker; Escape leads back to it"),
    ("D", "show the markers as they were, and as they are proposed"),
    ("O", "hear where the marker was, then where it is"),
)
"""What a proposal's page has beside the keys for moving and listening."""

DRILL_KEYS = (
    ("P", "hand in"),
    ("O", "once it is handed in: hear your place of the marker, then the sheet's"),
    ("D", "once it is handed in: hide the sheet's markers, and show them again"),
)
"""What a drill's page has beside the keys for moving, marking and listening."""


@declare(Policy.PUBLIC)
def help_page(request: HttpRequest) -> HttpResponse:
    """One page, for members and for those at the sign-in."""
    limits = Limits()
    return render(
        request,
        "help/help.html",
        {
            "states": STATES.values(),
            "limits": limits,
            "max_mb": limits.max_bytes // 1_000_000,
            "keys": KEYS,
            "review_keys": REVIEW_KEYS,
            "drill_keys": DRILL_KEYS,
        },
    )


urlpatterns = [path("help/", help_page, name="help")]
