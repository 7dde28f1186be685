"""What general-purpose beat trackers say of a file, with their defaults, as most people would call them.

- ``librosa``: ``librosa.beat.beat_track`` (Ellis 2007).
- ``plp``: peaks of ``librosa.beat.plp`` (Grosche & Mueller 2011); its tempo is that of the median beat.
- ``aubio``: ``aubio.tempo`` (Brossier 2006, after Davies & Plumbley), where its wheel is installed.

Answers are kept beside the track, since they do not change with our work.
"""

from __future__ import annotations

import hashlib
import importlib.util
import json
from collections.abc import Callable
from pathlib import Path

import librosa
import numpy as np
import soundfile
from numpy.typing import NDArray

from tests.accuracy.estimate import Estimate

FOLDER = Path("build/baselines")
Beats = NDArray[np.float64]


def _mono(path: Path, rate: int = 22_050) -> NDArray[np.float32]:
    samples, own_rate = soundfile.read(path, dtype="float32", always_2d=True)
    mono: NDArray[np.float32] = librosa.resample(samples.mean(axis=1), orig_sr=own_rate, target_sr=rate)
    return mono


def _librosa(path: Path) -> tuple[float, Beats]:
    tempo, beats = librosa.beat.beat_track(y=_mono(path), units="time")
    return float(np.atleast_1d(tempo)[0]), np.asarray(beats, dtype=np.float64)


def _plp(path: Path) -> tuple[float, Beats]:
    pulse = librosa.beat.plp(y=_mono(path))
    beats = librosa.frames_to_time(np.flatnonzero(librosa.util.localmax(pulse)))
    return _median_tempo(beats), np.asarray(beats, dtype=np.float64)


def _aubio(path: Path) -> tuple[float, Beats]:
    import aubio

    rate, hop = 44_100, 512
    mono = _mono(path, rate)
    tracker = aubio.tempo("default", 1024, hop, rate)
    beats = [tracker.get_last_s() for start in range(0, len(mono) - hop, hop) if tracker(mono[start : start + hop])[0]]
    return _median_tempo(np.asarray(beats)), np.asarray(beats, dtype=np.float64)


TRACKERS: dict[str, Callable[[Path], tuple[float, Beats]]] = {"librosa": _librosa, "plp": _plp}
if importlib.util.find_spec("aubio") is not None:
    TRACKERS["aubio"] = _aubio


def ask(name: str, path: Path) -> Estimate:
    """What the named tracker says of a file, from its earlier answer where the file is the same."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    stamp = hashlib.sha256(f"{path.name} {path.stat().st_size} {path.stat().st_mtime_ns}".encode()).hexdigest()[:16]
    kept = FOLDER / f"{stamp}-{name}.json"
    if not kept.exists():
        tempo_bpm, beats_s = TRACKERS[name](path)
        kept.write_text(json.dumps({"tempo_bpm": tempo_bpm, "beats_s": beats_s.tolist()}), encoding="utf-8")
    answer = json.loads(kept.read_text(encoding="utf-8"))
    return Estimate(
        tempo_bpm=answer["tempo_bpm"],
        candidates_bpm=[],
        steady=True,
        beats_s=np.asarray(answer["beats_s"], dtype=np.float64),
        downbeats_s=np.zeros(0),
    )


def _median_tempo(beats_s: Beats) -> float:
    return float(60 / np.median(np.diff(beats_s))) if len(beats_s) > 1 else 0.0
