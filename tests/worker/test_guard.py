"""The guard: limits really hold, a lost lease ends the child, and no child's word is taken on trust."""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from analysis_worker import guard
from analysis_worker.core.audio import decode, for_analysis
from analysis_worker.core.errors import AudioError
from analysis_worker.core.limits import Limits
from analysis_worker.core.peaks import read_peaks
from analysis_worker.core.results import TrackAnalysis
from analysis_worker.guard import Budget, Cancelled, DecoderStopped
from analysis_worker.process import run_process
from tests.core.sounds import encoded, m4a, noise

LIMITS = Limits()
AMPLE = Budget(address_space_bytes=2 << 30, cpu_s=60, max_cpu_s=60, wall_s=120.0, file_bytes=1 << 28)


@pytest.fixture(scope="module")
def flac(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("sound") / "noise.flac"
    path.write_bytes(encoded(noise(rate=48_000), "FLAC", "PCM_16", 48_000))
    return path


def test_decoded_sound_is_the_canonical_decode(flac: Path, tmp_path: Path):
    """Raw sound, proxy and record against a decode in this process."""
    with flac.open("rb") as source:
        expected, record, _ = decode(source, limits=LIMITS)
    with guard.decode_in_child(flac, work_dir=tmp_path, limits=LIMITS) as decoded:
        raw = np.fromfile(decoded.pcm_path, "<f4").reshape(-1, decoded.channels)
        assert np.array_equal(raw, for_analysis(expected).samples)
        assert (len(raw), decoded.sample_rate) == (decoded.frames, 44_100)
        assert decoded.decode == record
        assert decoded.audio_format == "flac"
        assert decoded.proxy_path is not None
        proxy, rate = soundfile.read(decoded.proxy_path, dtype="float32")
        assert (proxy.shape, rate) == (raw.shape, 44_100)
        assert np.abs(proxy - np.clip(raw, -1, 1)).max() <= 1 / 32_768  # the same time zero, sample for sample
        assert soundfile.info(decoded.proxy_path).subtype == "PCM_16"
        assert decoded.peaks_path is not None
        rate, frames, levels = read_peaks(decoded.peaks_path.read_bytes())
        assert (rate, frames) == (44_100, len(raw))
        assert levels[64][0, 1] == np.ceil(raw[:64].max() * 127)
        folder = decoded.folder
        assert sorted(path.name for path in folder.rglob("*")) == ["out", "peaks.bin", "proxy.flac", "sound.f32"]
    assert not folder.exists()
    assert flac.exists()


def test_m4a_is_decoded_within_the_childs_limits(tmp_path: Path):
    path = tmp_path / "a.m4a"
    path.write_bytes(m4a(noise(), "aac"))
    with guard.decode_in_child(
        path, work_dir=tmp_path / "work", limits=LIMITS, name="a.m4a", with_proxy=False
    ) as decoded:
        assert decoded.decode.leading_trim_frames == 1_024
        assert decoded.proxy_path is None
        assert decoded.peaks_path is None


def test_a_quiet_proxy_is_not_clipped_and_a_loud_one_is_held(tmp_path: Path):
    loud = noise() * 20
    path = tmp_path / "loud.wav"
    path.write_bytes(encoded(loud, "WAV", "FLOAT"))
    with guard.decode_in_child(path, work_dir=tmp_path / "work", limits=LIMITS) as decoded:
        proxy, _ = soundfile.read(decoded.proxy_path, dtype="float32")
    assert np.abs(loud).max() > 1.5
    assert np.abs(proxy - np.clip(loud, -1, 1)).max() <= 1.5 / 32_768


def test_the_lost_lease_ends_the_child(flac: Path, tmp_path: Path):
    calls: list[int] = []

    def lost() -> bool:
        calls.append(1)
        return False

    with pytest.raises(Cancelled):
        guard.decode_in_child(flac, work_dir=tmp_path, limits=LIMITS, on_tick=lost)
    assert calls == [1]
    assert list(tmp_path.iterdir()) == []


def test_what_the_tick_raises_passes_through_and_leaves_nothing(flac: Path, tmp_path: Path):
    class StopError(Exception):
        pass

    def stop() -> None:
        raise StopError

    with pytest.raises(StopError):
        guard.decode_in_child(flac, work_dir=tmp_path, limits=LIMITS, on_tick=stop)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"address_space_bytes": 48 << 20}, "exit code|killed"),
        ({"file_bytes": 100_000}, "exit code 1 .*File too large"),
        ({"wall_s": 0.0}, "time limit"),
        ({"open_files": 4}, "exit code 1"),
    ],
)
def test_each_limit_stops_the_decoder(change: dict[str, float], reason: str, flac: Path, tmp_path: Path):
    """A limit that is hit is not the file's fault for certain: retryable, never a refusal."""
    budget = Budget(**{name: change.get(name, getattr(AMPLE, name)) for name in Budget.__slots__})
    with pytest.raises(DecoderStopped, match=reason) as caught:
        guard.decode_in_child(flac, work_dir=tmp_path, limits=LIMITS, budget=budget)
    assert not isinstance(caught.value, AudioError)
    assert caught.value.code == "audio:decoder-stopped"
    assert list(tmp_path.iterdir()) == []


def test_the_processor_limit_kills(tmp_path: Path):
    """An endless loop in the child, under the child's own limits: the system ends it."""
    script = (
        "import os, json; from analysis_worker import child\n"
        "child._limit_self(json.loads(os.environ['BUDGET']), parent=None)\n"
        "while True: pass"
    )
    budget = {"address_space_bytes": 1 << 30, "cpu_s": 1, "max_cpu_s": 2, "file_bytes": 0, "open_files": 32}
    end = run(tmp_path, script, environment={"BUDGET": json.dumps(budget)})
    assert end.reason == "killed by SIGXCPU"


def test_a_missing_file_is_the_callers_mistake(tmp_path: Path):
    with pytest.raises(FileNotFoundError):
        guard.decode_in_child(tmp_path / "none.wav", work_dir=tmp_path / "work", limits=LIMITS)


def test_a_large_file_is_refused_before_it_is_copied(flac: Path, tmp_path: Path):
    with pytest.raises(AudioError, match="audio:too-large"):
        guard.decode_in_child(flac, work_dir=tmp_path / "work", limits=Limits(max_bytes=1_000))
    assert not (tmp_path / "work").exists()


def test_the_child_sees_no_environment_no_input_and_one_file(
    flac: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setenv("DJANGO_SECRET_KEY", "must not travel")
    monkeypatch.setattr(guard, "run_process", spy := Spy())
    with pytest.raises(DecoderStopped, match="no answer"):
        guard.decode_in_child(flac, work_dir=tmp_path, limits=LIMITS)
    assert set(spy.environment) == {
        "LC_ALL", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"
    }  # fmt: skip
    assert spy.files == ["sound"]
    assert spy.command[1:4] == ["-I", "-m", "analysis_worker.child"]
    said = run(tmp_path, "import os, sys; print(dict(os.environ), os.read(0, 10), os.getsid(0) == os.getpid())").lines
    assert said == [b"{'LC_CTYPE': 'C.UTF-8'} b'' True"] or said == [b"{} b'' True"]


class Spy:
    """Stands in for ``run_process`` and remembers how it was called."""

    def __call__(self, command, *, cwd, environment, **rest):
        from analysis_worker.process import ChildEnd

        self.command, self.environment = list(command), dict(environment)
        self.files = sorted(path.name for path in Path(cwd).iterdir())
        return ChildEnd("", False, b"")


FACTS = {
    "audio_format": "flac",
    "decode": {
        "decoder": "x", "decoder_version": "1", "leading_trim_frames": 0,
        "sample_rate": 44_100, "channels": 1, "frames": 4, "pcm_sha256": "00" * 32,
    },
    "warnings": [], "sample_rate": 44_100, "channels": 1, "frames": 4, "title": "", "artist": "",
}  # fmt: skip


@pytest.mark.parametrize(
    ("spoil", "believed"),
    [
        (lambda facts, out: None, True),
        (lambda facts, out: facts.update(frames=5), False),
        (lambda facts, out: facts.update(frames="many"), False),
        (lambda facts, out: facts.update(channels=0), False),
        (lambda facts, out: facts.update(sample_rate=1), False),
        (lambda facts, out: facts.update(audio_format="exe"), False),
        (lambda facts, out: facts.update(decode={}), False),
        (lambda facts, out: facts["decode"].update(pcm_sha256="'; drop table"), False),
        (lambda facts, out: facts["decode"].update(frames=1.5), False),
        (lambda facts, out: facts.pop("title"), False),
        (lambda facts, out: (out / "sound.f32").unlink(), False),
        (lambda facts, out: link(out / "sound.f32"), False),
    ],
)
def test_an_answer_is_checked_against_its_files(
    spoil: Callable[[dict, Path], object], believed: bool, flac: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """A child that a file has taken over may say and leave what it likes."""

    def taken_over(job, request, *rest):
        out = Path(request["pcm"]).parent
        (out / "sound.f32").write_bytes(bytes(16))
        facts = json.loads(json.dumps(FACTS))
        spoil(facts, out)
        return facts

    monkeypatch.setattr(guard, "_run", taken_over)
    if believed:
        guard.decode_in_child(flac, work_dir=tmp_path, limits=LIMITS, with_proxy=False).discard()
    else:
        with pytest.raises(DecoderStopped, match="an answer"):
            guard.decode_in_child(flac, work_dir=tmp_path, limits=LIMITS, with_proxy=False)
    assert list(tmp_path.iterdir()) == []


def link(path: Path) -> None:
    target = path.with_name("elsewhere")
    path.rename(target)
    path.symlink_to(target)


class Run:
    def __init__(self, reason: str, cancelled: bool, tail: bytes, lines: list[bytes]) -> None:
        self.reason, self.cancelled, self.tail, self.lines = reason, cancelled, tail, lines


def run(folder: Path, script: str, **options: object) -> Run:
    lines: list[bytes] = []
    values: dict[str, Any] = {
        "environment": {},
        "wall_s": 60.0,
        "max_bytes": 10_000,
        "on_line": lines.append,
        "on_tick": None,
    } | options
    end = run_process([sys.executable, "-I", "-c", script], cwd=folder, **values)
    return Run(end.reason, end.cancelled, end.stderr_tail, lines)


def test_process_lines_and_last_words(tmp_path: Path):
    end = run(tmp_path, "import sys; print('one\\ntwo'); sys.stderr.write('x' * 100_000 + 'end'); sys.exit(3)")
    assert end.lines == [b"one", b"two"]
    assert end.reason == "exit code 3"
    assert end.tail.endswith(b"xend")
    assert len(end.tail) == 4_096


@pytest.mark.parametrize(
    ("script", "options", "reason"),
    [
        ("import time; time.sleep(600)", {"wall_s": 0.5}, "time limit"),
        ("import os; os.close(1); os.close(2); import time; time.sleep(600)", {"wall_s": 0.5}, "time limit"),
        ("while True: print('x' * 1000)", {}, "output refused: too much of it"),
        ("import sys\nwhile True: sys.stderr.write('x' * 1000)", {"wall_s": 0.5}, "time limit"),
        ("import os; os.abort()", {}, "killed by SIGABRT"),
        ("import os, signal; os.kill(os.getpid(), signal.SIGSEGV)", {}, "killed by SIGSEGV"),
    ],
)
def test_process_ends_for_a_reason(script: str, options: dict[str, float], reason: str, tmp_path: Path):
    assert run(tmp_path, script, **options).reason == reason


def test_a_grandchild_is_ended_too(tmp_path: Path):
    """The child leaves a process that holds the pipe open and would run for minutes."""
    script = (
        "import subprocess, sys; child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(600)'])\n"
        "print(child.pid, flush=True)"
    )
    end = run(tmp_path, script)
    assert end.reason == ""
    assert gone(int(end.lines[0]))


def test_ticks_come_while_the_child_works(tmp_path: Path):
    ticks: list[float] = []

    def tick() -> bool:
        ticks.append(time.monotonic())
        return len(ticks) < 4

    end = run(tmp_path, "import time; time.sleep(600)", on_tick=tick)
    assert end.cancelled
    assert len(ticks) == 4
    assert ticks[-1] - ticks[0] > 0.6  # about four a second, not a busy loop


@pytest.mark.skipif(sys.platform != "linux", reason="prctl is of Linux")
def test_a_child_does_not_outlive_its_killed_worker(tmp_path: Path):
    """The worker here is a process that starts a limited child and is then killed."""
    child = (
        "import json, os, sys; from analysis_worker import child\n"
        "child._limit_self(json.loads(sys.argv[1]), parent=int(sys.argv[2]))\n"
        "print(os.getpid(), flush=True)\nimport time; time.sleep(600)"
    )
    budget = {"address_space_bytes": 1 << 30, "cpu_s": 60, "max_cpu_s": 60, "file_bytes": 0, "open_files": 32}
    worker = (
        "import os, signal, subprocess, sys\n"
        f"child = subprocess.Popen([sys.executable, '-I', '-c', {child!r}, {json.dumps(budget)!r}, str(os.getpid())],"
        " stdout=subprocess.PIPE, start_new_session=True)\n"
        "sys.stdout.buffer.write(child.stdout.readline()); sys.stdout.flush()\n"
        "os.kill(os.getpid(), signal.SIGKILL)"
    )
    end = run(tmp_path, worker)
    assert end.reason == "killed by SIGKILL"
    assert gone(int(end.lines[0]))


def gone(pid: int) -> bool:
    """Whether a process is dead (or a zombie that its new parent has not met yet) within some seconds."""
    for _ in range(200):
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return True
        status = Path(f"/proc/{pid}/stat")
        if status.exists() and status.read_text().rsplit(")", 1)[1].split()[0] == "Z":
            return True
        time.sleep(0.02)
    return False


def test_sweep_removes_only_what_is_old(tmp_path: Path):
    for name in ("job-old", "job-new", "numba"):
        (tmp_path / name).mkdir()
    os.utime(tmp_path / "job-old", (1, 1))
    os.utime(tmp_path / "numba", (1, 1))
    assert guard.sweep(tmp_path, older_than_s=3_600) == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["job-new", "numba"]


def test_analysis_runs_on_the_raw_sound_alone(tmp_path: Path, request: pytest.FixtureRequest):
    """Beats a half second apart, from a FLAC at 48 kHz through both children, against their known times."""
    clock_s = np.arange(20 * 48_000) / 48_000
    since_s = clock_s % 0.5
    kick = np.sin(2 * np.pi * 55 * since_s) * np.exp(-since_s * 25)
    path = tmp_path / "kicks.flac"
    path.write_bytes(encoded((0.8 * kick[:, None]).astype(np.float32), "FLAC", "PCM_16", 48_000))
    work = Path(request.config.cache.mkdir("analysis-work"))  # keeps compiled code from one run to the next
    stages: list[str] = []
    with guard.decode_in_child(path, work_dir=work, limits=LIMITS) as decoded:
        assert not (decoded.folder / "in").exists()  # only the sound is left for the second child
        facts = guard.analyse_in_child(decoded, work_dir=work, on_stage=stages.append)
    analysis = TrackAnalysis.from_facts(facts)
    assert analysis.duration_us == pytest.approx(20_000_000, abs=50)
    assert analysis.tempo_bpm == pytest.approx(120.0, abs=0.01)
    assert len(stages) >= 2
    beats_s = np.array(analysis.beats_us) / 1e6
    assert len(beats_s) >= 38
    assert np.abs((beats_s + 0.25) % 0.5 - 0.25).max() < 0.010


def test_analysis_keeps_the_warnings_of_the_decode(flac: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    with guard.decode_in_child(flac, work_dir=tmp_path, limits=LIMITS) as decoded:
        cut = replace(decoded, warnings=("audio:truncated",))
        monkeypatch.setattr(guard, "_run", lambda *rest: {"warnings": ["audio:truncated", "analysis:other"]})
        assert guard.analyse_in_child(cut, work_dir=tmp_path)["warnings"] == ["audio:truncated", "analysis:other"]
        monkeypatch.setattr(guard, "_run", lambda *rest: {})
        with pytest.raises(DecoderStopped):
            guard.analyse_in_child(cut, work_dir=tmp_path)
