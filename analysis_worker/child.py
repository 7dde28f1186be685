"""The child process that touches a member's file: ``python -I -m analysis_worker.child decode|analyse|compare
REQUEST``.

``guard`` starts it with a JSON request, an almost empty environment and no input. The first thing it does is to limit
itself; only then does it load a decoder. It answers in JSON lines: any number of ``{"stage": …}``, then one of
``{"result": …}`` or ``{"refused": code, "detail": …}``. Any other end means that it failed, and says so by its exit
code. The decoding child reads the file and writes raw sound; the analysing child reads only that sound.
"""

from __future__ import annotations

import ctypes
import json
import os
import resource
import signal
import sys
from collections.abc import Callable
from typing import Any, BinaryIO, TextIO

CPU_PER_SECOND = 0.05
"""Further seconds of processor time for each second of a long track, once its header has passed the limits."""

_PR_SET_PDEATHSIG = 1  # prctl(2)


def main(arguments: list[str]) -> int:
    """Do one job; the exit code is 0 for a result and for a refusal."""
    job, request = arguments[0], json.loads(arguments[1])
    _limit_self(request["budget"], parent=request["parent"])
    answers = _private_answers()

    def answer(**values: Any) -> None:
        print(json.dumps(values, allow_nan=False), file=answers, flush=True)

    from analysis_worker.core.errors import AudioError  # numeric libraries load only after the limits hold

    try:
        answer(result=_JOBS[job](request, lambda stage: answer(stage=stage)))
    except AudioError as error:
        answer(refused=error.code, detail=error.detail[:500])
    return 0


def _limit_self(budget: dict[str, int], *, parent: int | None) -> None:
    for limit, value in (
        (resource.RLIMIT_AS, budget["address_space_bytes"]),
        (resource.RLIMIT_FSIZE, budget["file_bytes"]),
        (resource.RLIMIT_NOFILE, budget["open_files"]),
        (resource.RLIMIT_CORE, 0),
    ):
        resource.setrlimit(limit, (value, value))
    resource.setrlimit(resource.RLIMIT_CPU, (budget["cpu_s"], budget["max_cpu_s"]))
    os.nice(10)
    if sys.platform == "linux":  # do not outlive a worker that was killed
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
        if parent is not None and os.getppid() != parent:
            os._exit(1)


def _private_answers() -> TextIO:
    """The answer channel on a descriptor of its own: what a library prints to stdout goes to stderr instead."""
    channel = os.dup(1)
    os.dup2(2, 1)
    return os.fdopen(channel, "w", encoding="utf-8")


def _decode(request: dict[str, Any], stage: Callable[[str], None]) -> dict[str, Any]:
    from analysis_worker.core.containers import admit
    from analysis_worker.core.limits import Limits

    limits = Limits(**request["limits"])
    with open(request["input"], "rb") as source:
        admit(source, limits=limits, format_hint=request["name"])  # most refusals end here, before a decoder is loaded

        from analysis_worker.core import audio
        from analysis_worker.core.tags import read_tags

        with audio.open_stream(source, limits=limits, format_hint=request["name"]) as stream:
            if stream.declared_frames:
                _allow_cpu(request["budget"], stream.declared_frames / stream.sample_rate)
            stage("decoding")
            blocks = audio.analysis_blocks(stream.blocks(), sample_rate=stream.sample_rate, channels=stream.channels)
            channels = audio.analysis_channels(stream.channels)
            if request["timeline"] is not None:
                from analysis_worker.core.timeline import on_timeline

                offset_frames, whole = request["timeline"]
                blocks = on_timeline(blocks, offset_frames=offset_frames, frames=whole, channels=channels)
            frames = _write(request, blocks, channels)
            facts = {
                "audio_format": stream.audio_format,
                "decode": {name: getattr(stream.decode, name) for name in stream.decode.__slots__},
                "warnings": list(stream.warnings),
                "sample_rate": audio.ANALYSIS_RATE,
                "channels": channels,
                "frames": frames,
            }
        title, artist = read_tags(source)
    return facts | {"title": title, "artist": artist}


def _write(request: dict[str, Any], blocks: Any, channels: int) -> int:
    """Write the raw sound, the proxy and its peaks block by block, each where asked for; returns the frames."""
    from contextlib import ExitStack

    from analysis_worker.core.audio import ANALYSIS_RATE
    from analysis_worker.core.peaks import peaks_writer
    from analysis_worker.core.proxy import proxy_writer

    frames = 0
    with ExitStack() as files:
        raw: BinaryIO | None = files.enter_context(open(request["pcm"], "xb")) if request["pcm"] else None
        writers: list[Any] = []
        if request["proxy"]:
            proxy: BinaryIO = files.enter_context(open(request["proxy"], "x+b"))
            peaks: BinaryIO = files.enter_context(open(request["peaks"], "xb"))
            writers = [
                files.enter_context(proxy_writer(proxy, sample_rate=ANALYSIS_RATE, channels=channels)),
                files.enter_context(peaks_writer(peaks, sample_rate=ANALYSIS_RATE)),
            ]
        for block in blocks:
            if raw is not None:
                raw.write(block.astype("<f4", copy=False).tobytes())
            for writer in writers:
                writer.write(block)
            frames += len(block)
    return frames


def _allow_cpu(budget: dict[str, int], duration_s: float) -> None:
    seconds = min(budget["max_cpu_s"], budget["cpu_s"] + int(duration_s * CPU_PER_SECOND))
    resource.setrlimit(resource.RLIMIT_CPU, (seconds, budget["max_cpu_s"]))


def _analyse(request: dict[str, Any], stage: Callable[[str], None]) -> dict[str, Any]:
    import numpy as np

    from analysis_worker.core.audio import Audio
    from analysis_worker.core.pipeline import analyse

    shape = (request["frames"], request["channels"])
    samples = np.memmap(request["pcm"], dtype="<f4", mode="r", shape=shape)
    return analyse(Audio(samples, request["sample_rate"]), progress=stage).to_facts()


def _compare(request: dict[str, Any], stage: Callable[[str], None]) -> dict[str, Any]:
    """Lay raw sound on a listening copy of ours, and write it as it lies on that timeline."""
    import numpy as np
    import soundfile

    from analysis_worker.core.align import Sound, align
    from analysis_worker.core.audio import Audio
    from analysis_worker.core.timeline import on_timeline

    shape = (request["frames"], request["channels"])
    copy = Audio(np.memmap(request["sound"], dtype="<f4", mode="r", shape=shape), request["sample_rate"])
    with soundfile.SoundFile(request["reference"]) as opened:

        def read(first: int, last: int) -> Any:
            opened.seek(first)
            return opened.read(last - first, dtype="float32", always_2d=True).mean(axis=1, dtype=np.float32)

        stage("comparing")
        found = align(Sound(opened.frames, read), Sound.of(copy))
        frames = opened.frames
    stage("writing the listening copy")
    laid = on_timeline(
        copy.blocks(), offset_frames=found.offset_frames, frames=frames, channels=request["channels"]
    )  # fmt: skip
    _write(request, laid, request["channels"])
    return {"offset_frames": found.offset_frames, "frames": frames, "gain_db": found.gain_db}


_JOBS: dict[str, Callable[[dict[str, Any], Callable[[str], None]], dict[str, Any]]] = {
    "decode": _decode,
    "analyse": _analyse,
    "compare": _compare,
}

if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
