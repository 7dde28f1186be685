"""Analyse one file at the prompt, without Django and without a database.

``python -m analysis_worker FILE`` prints a summary for people; ``--json`` prints one JSON document
(``core/schemas/analysis.schema.json``); ``--convention FILE`` adds a draft by the rules in that file. The answer is
0, or 2 with one sentence on the standard error where the file or the convention cannot be read.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, NoReturn

from analysis_worker.core.convention import ConventionRules
from analysis_worker.core.errors import MESSAGES, AudioError
from analysis_worker.core.results import Decode, Draft, TrackAnalysis
from analysis_worker.core.units import clock


class _Refusal(Exception):
    """Why nothing can be printed, in one sentence."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; returns the exit status."""
    try:
        options = _parser().parse_args(arguments)
        rules = _read_convention(options.convention) if options.convention else None
        analysis, decode = _analyse(options.file)
        # Imported late, like the analysis itself: a refusal should not wait for numpy.
        from analysis_worker.core.draft import draft_sheet

        draft = draft_sheet(analysis, rules) if rules else None
    except _Refusal as refusal:
        print(refusal, file=sys.stderr)
        return 2
    if options.json:
        print(json.dumps(document(analysis, decode, draft), ensure_ascii=False, allow_nan=False))
    else:
        print("\n".join(_summary(options.file.name, analysis, decode, rules, draft)))
    return 0


def document(analysis: TrackAnalysis, decode: Decode, draft: Draft | None) -> dict[str, Any]:
    """The JSON document: the facts in seconds, how the file was decoded, and the draft where one was asked for."""
    facts = analysis.to_document()
    facts["decode"] = asdict(decode)
    if draft:
        facts["draft"] = draft.to_document()
    return facts


class _Parser(argparse.ArgumentParser):
    """Refuses in one sentence, without the usage lines."""

    def error(self, message: str) -> NoReturn:
        raise _Refusal(f"{message[:1].upper()}{message[1:]}; see python -m analysis_worker --help.")


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(prog="python -m analysis_worker", description="Analyse one audio file.")
    parser.add_argument("file", type=Path, metavar="FILE", help="the audio file")
    parser.add_argument("--json", action="store_true", help="print one JSON document instead of a summary")
    parser.add_argument("--convention", type=Path, metavar="FILE", help="a convention (JSON) to draft a sheet by")
    return parser


def _read_convention(path: Path) -> ConventionRules:
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise _Refusal(f"The convention {path} cannot be read: {error.strerror or error}.") from error
    except ValueError as error:
        raise _Refusal(f"The convention {path} is not a JSON document in UTF-8.") from error
    if not isinstance(content, dict):
        raise _Refusal(f"The convention {path} must be a JSON object with a name and slots.")
    try:
        return ConventionRules.from_document(content)
    except ValueError as error:
        raise _Refusal(f"The convention {path} cannot be used: {error}") from error


def _analyse(path: Path) -> tuple[TrackAnalysis, Decode]:
    from analysis_worker.core.audio import decode as decode_audio
    from analysis_worker.core.limits import Limits
    from analysis_worker.core.pipeline import analyse

    try:
        with path.open("rb") as source:
            audio, decode, warnings = decode_audio(source, limits=Limits(), format_hint=path.name)
    except AudioError as error:
        raise _Refusal(f"{path}: {error.message}") from error
    except OSError as error:
        raise _Refusal(f"The file {path} cannot be read: {error.strerror or error}.") from error
    return replace(analyse(audio), warnings=warnings), decode


def _summary(
    name: str, analysis: TrackAnalysis, decode: Decode, rules: ConventionRules | None, draft: Draft | None
) -> list[str]:
    lines = [
        name,
        f"  length      {clock(analysis.duration_us)}, {decode.sample_rate} Hz, {decode.channels} channel(s)",
    ]
    lines.append(f"  tempo       {_tempo(analysis)}")
    if analysis.beats_us:
        counts = f"{len(analysis.beats_us)} beats, {len(analysis.downbeats_us)} bars of {analysis.beats_per_bar}"
        first = clock(analysis.downbeats_us[0]) if analysis.downbeats_us else "not found"
        lines.append(f"  grid        {counts}, first downbeat {first}")
    key = analysis.key
    lines.append(f"  key         {f'{key.name} (or {key.runner_up})' if key else 'none found'}")
    lines.append(
        f"  loudness    {_figure(analysis.loudness_lufs, 'LUFS')}, true peak {_figure(analysis.true_peak_dbtp, 'dBTP')}"
    )
    for section in analysis.sections:
        span = f"{clock(section.start_us):>7} – {clock(section.end_us):>7}"
        lines.append(f"  {span}  {section.role:<9}  {section.confidence:.2f}  {section.reason}")
    if rules and draft:
        lines.append(f"Draft by {rules.name or 'the convention'}:")
        markers = {marker.slot: marker for marker in draft.markers}
        reasons = {slot.slot: slot.reason for slot in draft.empty}
        for slot in rules.slots:
            marker = markers.get(slot.number)
            if marker:
                end = f" – {clock(marker.end_us)}" if marker.end_us is not None else ""
                place = f"{clock(marker.start_us)}{end}  {marker.confidence:.2f}  {marker.reason}"
            else:
                place = f"empty: {reasons[slot.number]}"
            lines.append(f"  {slot.number:>2} {slot.name:<18} {place}")
    return [*lines, *(f"Warning: {MESSAGES.get(code, code)}" for code in analysis.warnings)]


def _tempo(analysis: TrackAnalysis) -> str:
    if analysis.tempo_bpm is None:
        return "no beat found"
    others = ", ".join(f"{candidate.bpm:.2f}" for candidate in analysis.tempo_candidates[1:3])
    kind = "steady" if analysis.steady else f"not steady, {len(analysis.tempo_segments)} stretches"
    return f"{analysis.tempo_bpm:.2f} BPM, {kind}" + (f" (or {others})" if others else "")


def _figure(value: float | None, unit: str) -> str:
    return "none" if value is None else f"{value:.1f} {unit}"


if __name__ == "__main__":
    sys.exit(main())
