"""Every file that wants to hurt a decoder gets its stable answer from the guarded child, and costs little.

The control at the end takes the guard's first check away: then a text does reach a decoder.
"""

from __future__ import annotations

import json
import re
import resource
import subprocess
import sys
from dataclasses import asdict
from io import BytesIO
from pathlib import Path

import pytest

from analysis_worker import guard
from analysis_worker.core import audio, containers
from analysis_worker.core.errors import AudioError
from analysis_worker.core.limits import Limits
from tests.worker.hostile import NEIGHBOUR, PLAYLISTS, Case, encoded, good, hostile, tone

CASES = [*good(), *hostile(), *PLAYLISTS]
OVER_THE_LIMITS = ("audio:too-long", "audio:channels", "audio:sample-rate", "audio:too-large")
LIMITS = Limits()


def test_the_list_is_whole():
    """The design asks for 24 hostile files, 5 good ones and 8 texts."""
    assert len(hostile()) >= 24
    assert len(good()) >= 5
    assert len(PLAYLISTS) >= 8
    assert len({case.name for case in CASES}) == len(CASES)


@pytest.fixture
def desk(tmp_path: Path) -> Path:
    """A folder with the file under test and a neighbour that a text may name."""
    (tmp_path / "files").mkdir()
    (tmp_path / "files" / NEIGHBOUR).write_bytes(encoded(tone(2.0), "WAV", "PCM_16"))
    return tmp_path


def child_cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_answer(case: Case, desk: Path):
    path = case.write(desk / "files")
    before_s = child_cpu_s()
    if case.refused:
        with pytest.raises(AudioError) as caught:
            guard.decode_in_child(path, work_dir=desk / "work", limits=LIMITS, name=case.name)
        assert caught.value.code == case.refused
        assert str(desk) not in caught.value.detail
        # The goal is a second for what is over the limits; starting Python and numpy takes up to half of it here.
        assert child_cpu_s() - before_s < (4.0 if case.refused in OVER_THE_LIMITS else 2.0)
    else:
        with guard.decode_in_child(path, work_dir=desk / "work", limits=LIMITS, name=case.name) as decoded:
            assert decoded.warnings == case.warnings
            assert decoded.pcm_path.stat().st_size == decoded.frames * decoded.channels * 4
    assert list((desk / "work").iterdir()) == []


def test_tags_are_cleaned(desk: Path):
    case = next(case for case in CASES if case.name == "markup.mp3")
    with guard.decode_in_child(case.write(desk), work_dir=desk / "work", limits=LIMITS) as decoded:
        assert decoded.title == "<script>alert(1)</script>=HYPERLINK(1)"  # markup is for the pages to escape
        assert decoded.artist == "../../etc/passwd"


MEASURE = """
import sys
from analysis_worker import child
code = child.main(sys.argv[1:])
print(open("/proc/self/status").read(), file=sys.stderr)
sys.exit(code)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
@pytest.mark.parametrize(
    "name", ["68-billion.flac", "3-hours-untold.flac", "1024-channels.wav", "big-art.mp3", "text.mp3"]
)
def test_a_refusal_takes_little_memory(name: str, desk: Path):
    """The goal: 100 MB to refuse. The peak of resident memory is read inside the child itself."""
    path = next(case for case in CASES if case.name == name).write(desk)
    request = {
        "input": str(path),
        "name": name,
        "pcm": str(desk / "sound.f32"),
        "proxy": str(desk / "proxy.flac"),
        "limits": asdict(LIMITS),
        "budget": asdict(guard.decode_budget(LIMITS)),
        "parent": None,
    }
    done = subprocess.run([sys.executable, "-I", "-c", MEASURE, "decode", json.dumps(request)], capture_output=True)
    assert b'"refused"' in done.stdout, done.stderr
    peak = re.search(rb"VmHWM:\s+(\d+)", done.stderr)
    assert peak is not None
    assert int(peak[1]) * 1024 < 100_000_000


def test_no_name_ever_reaches_a_library_that_opens_names():
    """librosa's loader falls back to a program that follows play lists; av and libsndfile get open files only."""
    root = Path(guard.__file__).parents[1]
    sources = [*(root / "analysis_worker").rglob("*.py"), *(root / "crewprep").rglob("*.py")]
    assert len(sources) > 20
    for source in sources:
        text = source.read_text()
        assert not re.search(r"librosa\.(load|stream)|from librosa(\.core)? import .*\bload\b|audioread", text), source
        assert not re.search(r"""["'](ffmpeg|ffprobe)["']""", text), source
    loads = "import sys, analysis_worker.__main__, analysis_worker.core.pipeline; print('audioread' in sys.modules)"
    said = subprocess.run([sys.executable, "-c", loads], capture_output=True, text=True, cwd=root, check=True)
    assert said.stdout.strip() == "False"


def test_control_without_the_signature_check_a_text_reaches_a_decoder(monkeypatch: pytest.MonkeyPatch):
    """With the check in place no decoder is made; without it one is, and only its own refusal is left."""
    made: list[str] = []

    def reader(source: object, audio_format: str) -> None:
        made.append(audio_format)
        raise AudioError("audio:unreadable")

    monkeypatch.setattr(audio, "SndfileReader", reader)
    concat = PLAYLISTS[0]
    with pytest.raises(AudioError, match="audio:not-audio"):
        audio.decode(BytesIO(concat.data), limits=LIMITS, format_hint=concat.name)
    assert made == []

    monkeypatch.setattr(containers, "sniff", lambda source: "mp3")
    with pytest.raises(AudioError, match="audio:unreadable"):
        audio.decode(BytesIO(concat.data), limits=LIMITS, format_hint=concat.name)
    assert made == ["mp3"]
