"""The parent side of the guarded child: nothing that a file does reaches the worker.

Each file is copied alone into a fresh private directory and decoded by a child with its own memory, time, file and
descriptor limits, an almost empty environment and no input. A second child analyses the raw sound, and never sees the
file. The parent only waits, asks ``on_tick`` a few times a second whether the job is still ours, and ends the whole
process group when it is not, when time is up or when the child says too much.

Three outcomes: a result, an ``AudioError`` (the file is refused, for good), or ``DecoderStopped`` (may be tried again).
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Any, Final

from analysis_worker.child import CPU_PER_SECOND
from analysis_worker.core.errors import MESSAGES, WARNINGS, AudioError
from analysis_worker.core.limits import Limits
from analysis_worker.core.results import Decode
from analysis_worker.core.sniff import EXTENSIONS
from analysis_worker.core.text import clean_text
from analysis_worker.process import ChildEnd, run_process

MIB: Final = 1 << 20
_PREFIX: Final = "job-"
_RATE: Final = 44_100
_FRAME_BYTES: Final = 2 * 4  # stereo float32: the most that a frame of raw sound takes
_MAX_FACTS_BYTES: Final = 256 * 1024
_MAX_ANALYSIS_BYTES: Final = 32 * MIB

Tick = Callable[[], bool | None]
"""Asked a few times a second while a child runs; ``False`` ends the child (the lease is lost)."""


class DecoderStopped(Exception):
    """A child was killed, ran out of time or memory, or failed: not the file's fault for certain, so try again."""

    code = "audio:decoder-stopped"

    def __init__(self, reason: str) -> None:
        self.reason = reason
        self.message = MESSAGES[self.code]
        super().__init__(f"{self.code}: {reason}")


class Cancelled(Exception):
    """``on_tick`` said that the job is no longer ours; the child is gone and there is no result."""


@dataclass(frozen=True, slots=True)
class Budget:
    """What a child may use. The processor limit starts at ``cpu_s``; a long track may raise it to ``max_cpu_s``."""

    address_space_bytes: int
    cpu_s: int
    max_cpu_s: int
    wall_s: float
    file_bytes: int
    open_files: int = 32


def decode_budget(limits: Limits) -> Budget:
    """For the decoding child: it streams, so memory does not grow with the track; its files do."""
    max_cpu_s = 60 + int(limits.max_duration_s * CPU_PER_SECOND)
    return Budget(
        address_space_bytes=768 * MIB,
        cpu_s=60,
        max_cpu_s=max_cpu_s,
        wall_s=4.0 * max_cpu_s,
        file_bytes=int((limits.max_duration_s + 1) * _RATE) * _FRAME_BYTES,
    )


def analyse_budget(duration_s: float) -> Budget:
    """For the analysing child: 2 GiB, and for long tracks the mapped sound and twice as much again on top.

    Measured: 0.6 GiB for six minutes, 2.9 GiB for an hour (1.1 of them the sound itself), and about a second of
    processor time for each minute; the rest is for slower machines and for libraries that compile at first use.
    """
    cpu_s = 180 + int(duration_s)
    return Budget(
        address_space_bytes=2048 * MIB + int(duration_s * _RATE) * _FRAME_BYTES * 3,
        cpu_s=cpu_s,
        max_cpu_s=cpu_s,
        wall_s=4.0 * cpu_s,
        file_bytes=64 * MIB,  # compiled code in the cache
        open_files=64,
    )


@dataclass(frozen=True, slots=True)
class Decoded:
    """What the decoding child gave. The files live in ``folder`` until ``discard``; use it as a context manager.

    ``pcm_path`` holds float32, little-endian, channels interleaved, shape (frames, channels) at ``sample_rate``.
    ``proxy_path`` is the FLAC for listening and ``peaks_path`` what is drawn of it (``core.peaks``); both None where no
    proxy was asked for. ``title`` and ``artist`` are cleaned.
    """

    folder: Path
    pcm_path: Path
    proxy_path: Path | None
    peaks_path: Path | None
    audio_format: str
    sample_rate: int
    channels: int
    frames: int
    decode: Decode
    warnings: tuple[str, ...]
    title: str
    artist: str

    def discard(self) -> None:
        """Remove the folder and all in it."""
        shutil.rmtree(self.folder, ignore_errors=True)

    def __enter__(self) -> Decoded:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.discard()


def decode_in_child(
    path: Path,
    *,
    work_dir: Path,
    limits: Limits,
    name: str = "",
    with_proxy: bool = True,
    timeline: tuple[int, int] | None = None,
    on_tick: Tick | None = None,
    budget: Budget | None = None,
) -> Decoded:
    """Decode a member's file in a guarded child. ``name`` is the file's own name, where its ending is to be checked.

    ``timeline`` lays the sound on a track's: where its first sample lies and how long that is, in frames at 44.1 kHz.

    Raises ``AudioError`` (refused), ``DecoderStopped`` (retry), ``Cancelled``, and ``OSError`` where the copy fails.
    """
    if path.stat().st_size > limits.max_bytes:
        raise AudioError("audio:too-large", f"{path.stat().st_size} bytes")
    work_dir.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=work_dir)).resolve()
    try:
        inbox, outbox = folder / "in", folder / "out"
        inbox.mkdir()
        outbox.mkdir()
        # A copy, not a link: a decoder gone wrong could otherwise write into the stored original.
        shutil.copyfile(path, inbox / "sound")
        (inbox / "sound").chmod(0o400)
        proxy = outbox / "proxy.flac" if with_proxy else None
        request = {
            "input": str(inbox / "sound"),
            "name": name,
            "pcm": str(outbox / "sound.f32"),
            "proxy": str(proxy) if proxy else None,
            "peaks": str(outbox / "peaks.bin"),
            "limits": asdict(limits),
            "timeline": timeline,
        }
        facts = _run("decode", request, budget or decode_budget(limits), inbox, on_tick, _MAX_FACTS_BYTES)
        shutil.rmtree(inbox)
        return _read_decoded(facts, folder, outbox / "sound.f32", proxy, limits)
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise


def analyse_in_child(
    decoded: Decoded,
    *,
    work_dir: Path,
    on_tick: Tick | None = None,
    on_stage: Callable[[str], None] | None = None,
    budget: Budget | None = None,
) -> dict[str, Any]:
    """Analyse decoded sound in a guarded child; returns the stored form of a ``TrackAnalysis`` (``to_facts``).

    ``on_stage`` hears the name of each stage as it starts. Raises as ``decode_in_child`` does. The warnings of the
    decode are put before those of the analysis.
    """
    request = {
        "pcm": str(decoded.pcm_path),
        "sample_rate": decoded.sample_rate,
        "channels": decoded.channels,
        "frames": decoded.frames,
    }
    cache = work_dir.resolve() / "numba"
    cache.mkdir(parents=True, exist_ok=True)
    allowed = budget or analyse_budget(decoded.frames / decoded.sample_rate)
    facts = _run(
        "analyse",
        request,
        allowed,
        decoded.folder,
        on_tick,
        _MAX_ANALYSIS_BYTES,
        on_stage,
        {"NUMBA_CACHE_DIR": str(cache)},
    )
    if not isinstance(facts.get("warnings"), list):
        raise DecoderStopped("an answer without warnings")
    facts["warnings"] = [*decoded.warnings, *(code for code in facts["warnings"] if code not in decoded.warnings)]
    return facts


@dataclass(frozen=True, slots=True)
class Compared:
    """A copy laid on its track: where its first sample lies and how long the timeline is, in frames at 44.1 kHz; its
    level beside the reference's; and its listening copy on that timeline. The files go with the decoded sound's."""

    offset_frames: int
    frames: int
    gain_db: float
    proxy_path: Path
    peaks_path: Path


def compare_in_child(
    decoded: Decoded,
    reference: Path,
    *,
    on_tick: Tick | None = None,
    on_stage: Callable[[str], None] | None = None,
) -> Compared:
    """Lay decoded sound on a listening copy (``reference``, a file of our own making) in a guarded child.

    Raises as ``decode_in_child`` does; ``AudioError`` with a code of ``copy:`` where it is no copy of the same.
    """
    out = decoded.folder / "out"
    request = {
        "sound": str(decoded.pcm_path),
        "sample_rate": decoded.sample_rate,
        "channels": decoded.channels,
        "frames": decoded.frames,
        "reference": str(reference.resolve()),
        "pcm": None,
        "proxy": str(out / "laid.flac"),
        "peaks": str(out / "laid.bin"),
    }
    allowed = replace(
        analyse_budget(decoded.frames / decoded.sample_rate), file_bytes=decode_budget(Limits()).file_bytes
    )  # fmt: skip
    facts = _run("compare", request, allowed, decoded.folder, on_tick, _MAX_FACTS_BYTES, on_stage)
    try:
        compared = Compared(
            offset_frames=int(facts["offset_frames"]),
            frames=int(facts["frames"]),
            gain_db=float(facts["gain_db"]),
            proxy_path=out / "laid.flac",
            peaks_path=out / "laid.bin",
        )
    except (KeyError, TypeError, ValueError) as error:
        raise DecoderStopped("compare: an answer out of form") from error
    if min(_plain_file_size(compared.proxy_path), _plain_file_size(compared.peaks_path)) <= 0:
        raise DecoderStopped("compare: an answer that does not fit its files")
    return compared


def sweep(work_dir: Path, *, older_than_s: float) -> int:
    """Remove what killed workers have left behind; returns the number of folders. Choose more than any time limit."""
    removed = 0
    for folder in work_dir.glob(f"{_PREFIX}*"):
        try:
            old = time.time() - folder.stat().st_mtime > older_than_s
        except FileNotFoundError:
            continue
        if old:
            shutil.rmtree(folder, ignore_errors=True)
            removed += 1
    return removed


def _run(
    job: str,
    request: Mapping[str, Any],
    budget: Budget,
    cwd: Path,
    on_tick: Tick | None,
    max_bytes: int,
    on_stage: Callable[[str], None] | None = None,
    environment: Mapping[str, str] | None = None,
) -> dict[str, Any]:
    whole = dict(request) | {"budget": asdict(budget), "parent": os.getpid()}
    answers: list[dict[str, Any]] = []

    def on_line(line: bytes) -> None:
        answer = json.loads(line)
        if not isinstance(answer, dict):
            raise ValueError("not an object")
        if "stage" not in answer:
            answers.append(answer)
        elif on_stage:
            on_stage(clean_text(str(answer["stage"])))

    end = run_process(
        [sys.executable, "-I", "-m", "analysis_worker.child", job, json.dumps(whole)],
        cwd=cwd,
        environment={**_ENVIRONMENT, **(environment or {})},
        wall_s=budget.wall_s,
        max_bytes=max_bytes,
        on_line=on_line,
        on_tick=on_tick,
    )
    if end.cancelled:
        raise Cancelled
    if end.reason or len(answers) != 1:
        raise DecoderStopped(_reason(job, end))
    if "refused" in answers[0]:
        code = answers[0]["refused"]
        if code not in MESSAGES:
            raise DecoderStopped(f"{job}: unknown refusal")
        raise AudioError(code, str(answers[0].get("detail", ""))[:500])
    result = answers[0].get("result")
    if not isinstance(result, dict):
        raise DecoderStopped(f"{job}: no result")
    return result


def _reason(job: str, end: ChildEnd) -> str:
    last_words = clean_text(end.stderr_tail.decode("utf-8", "replace").strip().rsplit("\n", 1)[-1])
    return f"{job}: {end.reason or 'no answer'}" + (f" ({last_words})" if last_words else "")


def _read_decoded(facts: dict[str, Any], folder: Path, pcm: Path, proxy: Path | None, limits: Limits) -> Decoded:
    """Check the child's word: it has read a hostile file, so nothing that it says is taken on trust."""
    peaks = proxy.with_name("peaks.bin") if proxy else None
    try:
        decoded = Decoded(
            folder=folder,
            pcm_path=pcm,
            proxy_path=proxy,
            peaks_path=peaks,
            audio_format=str(facts["audio_format"]),
            sample_rate=int(facts["sample_rate"]),
            channels=int(facts["channels"]),
            frames=int(facts["frames"]),
            decode=Decode(**facts["decode"]),
            warnings=tuple(code for code in WARNINGS if code in facts["warnings"]),
            title=clean_text(str(facts["title"])),
            artist=clean_text(str(facts["artist"])),
        )
        sound = all(
            (
                decoded.audio_format in EXTENSIONS,
                decoded.sample_rate == _RATE,
                decoded.channels in (1, 2),
                0 < decoded.frames <= (limits.max_duration_s + 1) * _RATE,
                _plain_file_size(pcm) == decoded.frames * decoded.channels * 4,
                proxy is None or _plain_file_size(proxy) > 0,
                peaks is None or _plain_file_size(peaks) > 0,
                all(type(value) is int for value in (decoded.decode.frames, decoded.decode.leading_trim_frames)),
                type(decoded.decode.sample_rate) is int and type(decoded.decode.channels) is int,
            )
        )
        record = replace(
            decoded.decode,
            decoder=clean_text(str(decoded.decode.decoder)),
            decoder_version=clean_text(str(decoded.decode.decoder_version)),
            pcm_sha256=bytes.fromhex(decoded.decode.pcm_sha256).hex(),
        )
    except (KeyError, TypeError, ValueError, OSError) as error:
        raise DecoderStopped(f"decode: an answer out of form ({type(error).__name__})") from error
    if not sound:
        raise DecoderStopped("decode: an answer that does not fit its files")
    return replace(decoded, decode=record)


def _plain_file_size(path: Path) -> int:
    return -1 if path.is_symlink() or not path.is_file() else path.stat().st_size


_ENVIRONMENT: Final = {
    "LC_ALL": "C.UTF-8",
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "NUMBA_NUM_THREADS": "1",
}
"""All that a child inherits: one thread for each numeric library. No home, no path, no secret."""
