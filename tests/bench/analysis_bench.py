"""What the analysis costs: seconds per minute of audio, the multiple of decoding alone, and the worker's memory.

Each figure is the median of several runs in a fresh process that has warmed up on the same file, so that imports and
compilation are not counted. Baseline in the same run: librosa's usual first three calls (load, beat_track, chroma_cqt),
which answer far less. "In worker" is the whole way of one file through the guarded children as the worker starts them,
with their start and imports; peak memory is that of the larger child. "First" is the first file of a fresh worker with
an empty cache, after it has warmed itself up, against the rest.

Scaling: the longer demo track repeated to 1, 6, 30 and 60 minutes (MP3: an hour of FLAC is more than may be uploaded),
each once through a warm worker.
"""

from __future__ import annotations

import argparse
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from fixtures.demo import DEMO, write_one

FOLDER = Path("build/bench")
RUNS = 3
GOAL_RATIO = 8.0
GOAL_SECONDS = 4.0
GOAL_MINUTES = 6.0
GOAL_MIB = 700e6 / 2**20
GOAL_FIRST = 2.0
SCALING_MINUTES = (1, 6, 30, 60)
_KINDS = ("decode", "analysis", "librosa", "worker")


@dataclass(frozen=True, slots=True)
class Cost:
    """Cost of one file. Seconds are wall time per minute of audio; ``peak_mib`` is the largest child of the worker."""

    name: str
    minutes: float
    decode_s: float
    analysis_s: float
    librosa_s: float
    worker_s: float
    first_s: float
    peak_mib: float

    @property
    def ratio(self) -> float:
        """The whole analysis (decoding included) as a multiple of decoding alone."""
        return self.analysis_s / self.decode_s

    @property
    def librosa_ratio(self) -> float:
        """The baseline as a multiple of decoding alone."""
        return self.librosa_s / self.decode_s


@dataclass(frozen=True, slots=True)
class Length:
    """Cost of so many minutes of audio in a warm worker: wall time, and the peak of the larger child."""

    minutes: float
    seconds: float
    peak_mib: float


def costs(runs: int = RUNS) -> list[Cost]:
    """Measure a demo track of over five minutes as FLAC and one of four minutes as MP3."""
    return [_cost(path, runs) for path in _files()]


def print_costs(measured: list[Cost]) -> None:
    """Print what ``costs`` gave."""
    print(f"{'seconds per minute of audio':<32}{'decode':>8}{'whole':>8}{'ratio':>7}{'librosa':>9}{'ratio':>7}", end="")
    print(f"{'in worker':>11}{'first':>8}{'peak MiB':>10}")
    for cost in measured:
        print(
            f"{cost.name:<24}{cost.minutes:4.1f} min{cost.decode_s:8.3f}{cost.analysis_s:8.3f}{cost.ratio:7.1f}"
            f"{cost.librosa_s:9.3f}{cost.librosa_ratio:7.1f}{cost.worker_s:11.3f}{cost.first_s:8.3f}{cost.peak_mib:10.0f}"
        )
    for cost in measured:
        print(cost.name)
        for title, value, goal in (
            ("six minutes all in, warm, seconds", GOAL_MINUTES * cost.analysis_s, GOAL_SECONDS),
            ("six minutes in the worker, children started, seconds", GOAL_MINUTES * cost.worker_s, None),
            ("times decoding", cost.ratio, GOAL_RATIO),
            ("times librosa's first three calls", cost.analysis_s / cost.librosa_s, 1.0),
            ("peak of the larger child, MiB", cost.peak_mib, GOAL_MIB),
            ("first track of a fresh worker, times the rest", cost.first_s / cost.worker_s, GOAL_FIRST),
        ):
            verdict = "" if goal is None else f"   goal {goal:6.1f}  {'met' if value <= goal else 'missed'}"
            print(f"  {title:<54}{value:8.2f}{verdict}")


def scaling() -> list[Length]:
    """Measure the same music repeated to each length."""
    samples, rate = soundfile.read(_files()[0], dtype="int16", always_2d=True)
    found = []
    for minutes in SCALING_MINUTES:
        path = FOLDER / f"{minutes}-minutes.mp3"
        if not path.exists():
            with soundfile.SoundFile(path, "w", rate, samples.shape[1], format="MP3") as out:
                left = minutes * 60 * rate
                while left > 0:
                    out.write(samples[:left])
                    left -= len(samples)
        answer = _probe("worker", path, 1)
        found.append(Length(minutes, answer["seconds"][0], answer["children_peak_kib"] / 1024))
    return found


def print_scaling(lengths: list[Length]) -> None:
    """Print what ``scaling`` gave, each cost a minute beside that of the second length."""
    usual = lengths[1].seconds / lengths[1].minutes
    print(f"\n{'in worker, by length':<24}{'seconds':>9}{'a minute':>10}{'ratio':>7}{'peak MiB':>10}")
    for length in lengths:
        each = length.seconds / length.minutes
        print(f"{length.minutes:>20.0f} min{length.seconds:9.2f}{each:10.3f}{each / usual:7.2f}{length.peak_mib:10.0f}")


def _files() -> list[Path]:
    FOLDER.mkdir(parents=True, exist_ok=True)
    long, other = (
        next(demo for demo in DEMO if demo.file == file) for file in ("cellar-ferry.flac", "ninety-wet-streets.flac")
    )
    flac, second = write_one(long, FOLDER).path, write_one(other, FOLDER).path
    mp3 = second.with_suffix(".mp3")
    if not mp3.exists() or mp3.stat().st_mtime_ns < second.stat().st_mtime_ns:
        samples, rate = soundfile.read(second, dtype="float32")
        soundfile.write(mp3, samples, rate, format="MP3")
    return [flac, mp3]


def _cost(path: Path, runs: int) -> Cost:
    minutes = soundfile.info(path).duration / 60
    answers = {kind: _probe(kind, path, runs) for kind in _KINDS}
    per_minute = {kind: statistics.median(answer["seconds"]) / minutes for kind, answer in answers.items()}
    return Cost(
        name=path.name,
        minutes=minutes,
        decode_s=per_minute["decode"],
        analysis_s=per_minute["analysis"],
        librosa_s=per_minute["librosa"],
        worker_s=per_minute["worker"],
        first_s=answers["worker"]["first_s"] / minutes,
        peak_mib=answers["worker"]["children_peak_kib"] / 1024,
    )


def _probe(kind: str, path: Path, runs: int) -> dict[str, Any]:
    command = [sys.executable, "-m", "tests.bench.analysis_bench", "--probe", kind, str(path), "--runs", str(runs)]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
    answer: dict[str, Any] = json.loads(done.stdout.strip().splitlines()[-1])
    return answer


def _run_probe(kind: str, path: Path, runs: int) -> None:
    """In the fresh process: warm up, run once more than asked, and print one JSON line; the first run is told apart.

    Linux counts ``ru_maxrss`` in KiB."""
    with tempfile.TemporaryDirectory() as folder:
        if kind == "worker":  # as ``handlers.warm_up`` does when a worker starts
            noise = Path(folder) / "noise.wav"
            soundfile.write(noise, np.random.default_rng(0).normal(0, 0.1, 8 * 44_100), 44_100)
            _work(kind, noise, Path(folder))()
        work = _work(kind, path, Path(folder))
        seconds = []
        for _ in range(1 + runs):
            begun = time.perf_counter()
            work()
            seconds.append(time.perf_counter() - begun)
    peak_kib = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    print(json.dumps({"first_s": seconds[0], "seconds": seconds[1:], "children_peak_kib": peak_kib}))


def _work(kind: str, path: Path, folder: Path) -> Callable[[], object]:
    from analysis_worker.core.limits import Limits

    if kind == "librosa":
        import librosa

        def usual_calls() -> object:
            mono, rate = librosa.load(path)
            return librosa.beat.beat_track(y=mono, sr=rate), librosa.feature.chroma_cqt(y=mono, sr=rate)

        return usual_calls
    if kind == "worker":
        from analysis_worker.guard import analyse_in_child, decode_in_child

        def guarded() -> object:
            with decode_in_child(path, work_dir=folder, limits=Limits(), name=path.name) as decoded:
                return analyse_in_child(decoded, work_dir=folder)

        return guarded

    from analysis_worker.core.audio import decode

    def only_decode() -> Any:
        with path.open("rb") as source:
            return decode(source, limits=Limits(), format_hint=path.name)[0]

    if kind == "decode":
        return only_decode
    from analysis_worker.core.pipeline import analyse

    return lambda: analyse(only_decode())


def main() -> int:
    """Measure and print; ``--probe`` is how it calls itself."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.analysis_bench", description="Cost of the analysis.")
    parser.add_argument("--runs", type=int, default=RUNS)
    parser.add_argument("--probe", nargs=2, metavar=("KIND", "FILE"), help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.probe:
        _run_probe(arguments.probe[0], Path(arguments.probe[1]), arguments.runs)
        return 0
    print_costs(costs(arguments.runs))
    print_scaling(scaling())
    return 0


if __name__ == "__main__":
    sys.exit(main())
