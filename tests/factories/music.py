"""Conventions, crates, tracks with measured facts, drafts and proposals."""

from __future__ import annotations

import io
import itertools
import wave
from functools import cache
from typing import Any

import numpy as np
from django.db import transaction

from analysis_worker.core.results import (
    ENGINE_VERSION,
    Contour,
    Decode,
    DraftMarker,
    Drop,
    EmptySlot,
    Key,
    Section,
    TempoCandidate,
    TempoSegment,
    TrackAnalysis,
)  # fmt: skip
from analysis_worker.core.results import Draft as DraftResult
from crewprep.analysis.models import Analysis
from crewprep.analysis.selectors import current_analysis
from crewprep.analysis.services import store_analysis
from crewprep.conventions.models import ConventionVersion
from crewprep.conventions.selectors import current_version
from crewprep.crates.models import Crate
from crewprep.crates.services import make_crate
from crewprep.crates.upload import upload_to_crate
from crewprep.crews.models import Membership
from crewprep.jobs.models import Job, JobKind, JobState
from crewprep.review.models import Proposal
from crewprep.review.services import propose
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import Draft
from crewprep.sheets.publishing import publish_document
from crewprep.sheets.services import store_draft
from crewprep.tracks.models import Track
from crewprep.tracks.upload import quarantine

_count = itertools.count(1)

_EIGHT = (
    ("Mix-in", "mix-in", "first", "point", None, "sky blue", "circle"),
    ("First breakdown", "breakdown", "first", "point", None, "blue", "square"),
    ("First build-up", "build-up", "first", "point", None, "yellow", "triangle"),
    ("First drop", "drop", "first", "point", None, "vermillion", "diamond"),
    ("Second breakdown", "breakdown", "second", "point", None, "bluish green", "pentagon"),
    ("Strongest drop", "drop", "strongest", "point", None, "orange", "star"),
    ("Vocal or riff", "free", "first", "point", None, "reddish purple", "hexagon"),
    ("Exit loop", "exit loop", "last", "loop", 4, "black", "cross"),
)


def convention_document(name: str = "House", slots: int = 8) -> dict[str, Any]:
    """A convention document of the first ``slots`` of eight slots."""
    return {
        "name": name,
        "slots": [
            {
                "number": number, "name": title, "function": function, "which": which, "kind": kind,
                "loop_bars": bars, "lead_bars": 0, "snap_beats": 1.0 if kind == "loop" else 0.25, "colour": colour,
                "shape": shape, "required": number < 7, "guidance": f"How to find the {title.lower()}.",
            }
            for number, (title, function, which, kind, bars, colour, shape) in enumerate(_EIGHT[:slots], start=1)
        ],
    }  # fmt: skip


def convention(lead: Membership, **changes: Any) -> ConventionVersion:
    """A published convention of eight slots."""
    return publish_document(member=lead, document=convention_document(**changes))


def crate(member: Membership, name: str = "") -> Crate:
    """A crate pinned to the crew's current convention, which is published first where there is none."""
    version = current_version(member) or convention(member)
    return make_crate(member=member, name=name or f"Crate {next(_count)}", convention_version=version)


def wav_bytes(seconds: float = 1.5, rate: int = 8000) -> bytes:
    """A short quiet WAV file: a ramp that differs from call to call."""
    out = io.BytesIO()
    number = next(_count)
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes((np.arange(int(seconds * rate)) * number % 2000).astype("<i2").tobytes())
    return out.getvalue()


def upload_wav(member: Membership, into: Crate, name: str = "tune.wav", content: bytes | None = None) -> Track:
    """A track uploaded into a crate and waiting for its analysis."""
    return upload_to_crate(
        member=member, crate=into, upload=quarantine(wav_bytes() if content is None else content, name=name)
    )


def track(member: Membership, into: Crate | None = None) -> Track:
    """A track that is still being analysed."""
    return upload_wav(member, into or crate(member), name=f"tune {next(_count)}.wav")


@cache
def analysis_result(bars: int = 96, bpm: float = 128.0, first_beat_us: int = 250_000) -> TrackAnalysis:
    """Made-up facts of a steady track in 4/4 whose sections follow each other as in much dance music.

    At 96 bars: intro 16, breakdown 16, build-up 8, drop 16, breakdown 8, build-up 8, drop 16, outro 8.
    """
    beat = 60e6 / bpm
    beats = tuple(round(first_beat_us + index * beat) for index in range(bars * 4 + 1))
    plan: tuple[tuple[str, int], ...] = (
        ("intro", 16),
        ("breakdown", 16),
        ("build-up", 8),
        ("drop", 16),
        ("breakdown", 8),
        ("build-up", 8),
    )
    plan = (*plan, ("drop", 16), ("outro", 8))
    sections, at = [], 0
    for role, length in plan:
        end = min(at + length, bars)
        if end > at:
            sections.append(
                Section(beats[at * 4], beats[end * 4], role, 0.9, 0.5, f"made up: {role}")  # type: ignore[arg-type]  # a role as text
            )
        at = end
    drops = tuple(
        Drop(section.start_us, -9.0 - index, -12.0, 2.0, 0.6 + 0.3 * index)
        for index, section in enumerate(section for section in sections if section.role == "drop")
    )
    return TrackAnalysis(
        engine=ENGINE_VERSION, duration_us=beats[-1] + 2_000_000, tempo_bpm=bpm,
        tempo_candidates=(TempoCandidate(bpm, 1.0), TempoCandidate(bpm / 2, 0.4)), steady=True,
        tempo_segments=(TempoSegment(0, bpm),), grid_confidence=0.95, beats_per_bar=4, beats_us=beats,
        downbeats_us=beats[::4], downbeat_confidence=0.9, phrases_us=beats[::32], phrase_confidence=0.8,
        sections=tuple(sections), drops=drops, key=Key("A", "minor", 0.7, "C major"), loudness_lufs=-9.5,
        true_peak_dbtp=-0.4, energy=tuple(0.5 for _ in beats[::4]),
        contour=Contour(16, tuple(step // 4 % 256 for step in range(bars * 64)), (128,) * bars * 64, (9,) * bars * 64),
    )  # fmt: skip


@transaction.atomic
def analysed_track(member: Membership, into: Crate | None = None, result: TrackAnalysis | None = None) -> Track:
    """A ready track with stored facts; its jobs are settled as a worker would settle them."""
    made = track(member, into)
    job = Job.objects.get(track=made, kind=JobKind.ANALYSE)
    result = result or analysis_result()
    decode = Decode("test", "1", 0, 44_100, 2, result.duration_us * 441 // 10_000, "0" * 64)
    Job.objects.filter(pk=job.pk).update(state=JobState.DONE)
    job.refresh_from_db()
    store_analysis(
        job=job, decode=decode, facts=result.to_facts(), proxy_key="", peaks_key="", warnings=(), title="", artist=""
    )
    made.refresh_from_db()
    return made


def eight_markers(facts: TrackAnalysis | Analysis) -> list[MarkerInput]:
    """Markers for six slots of the eight-slot convention, on the sections of the facts."""
    result = facts.result if isinstance(facts, Analysis) else facts
    beats = result.beats_us
    bars = {1: 0, 2: 16, 3: 32, 4: 40, 5: 56, 6: 72}
    points = [MarkerInput(slot, beats[bar * 4]) for slot, bar in bars.items()]
    return [*points, MarkerInput(8, beats[88 * 4], beats[92 * 4])]


@transaction.atomic
def draft(made: Track, version: ConventionVersion) -> Draft:
    """A stored draft of a ready track."""
    analysis = current_analysis(made)
    assert analysis is not None
    drafted = DraftResult(
        markers=tuple(
            DraftMarker(marker.slot, marker.start_us, marker.end_us, 0.8, f"made up for slot {marker.slot}")
            for marker in eight_markers(analysis)
        ),
        empty=(EmptySlot(7, "Free slots are left to you."),),
    )
    job = Job.objects.filter(track=made).order_by("created_at").first()
    assert job is not None
    return store_draft(job=job, analysis=analysis, convention_version=version, draft=drafted)


def proposal(member: Membership, made: Track | None = None, into: Crate | None = None) -> Proposal:
    """An open proposal by a member, on a new ready track unless one is given."""
    into = into or crate(member)
    made = made or analysed_track(member, into)
    analysis = current_analysis(made)
    assert analysis is not None
    return propose(
        member=member,
        track=made,
        convention_version=into.convention_version,
        markers=eight_markers(analysis),
        note="as heard",
    )
