"""The command line: real files in, one document or one sentence out."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import soundfile

from analysis_worker.__main__ import main
from fixtures.generate import TrackSpec, make_track
from fixtures.spec import Layout

ROOT = Path(__file__).parents[2]
SCHEMA = json.loads((ROOT / "analysis_worker/core/schemas/analysis.schema.json").read_text())
EIGHT = ROOT / "fixtures/convention/eight.json"
LAYOUT: Layout = (("intro", 8), ("breakdown", 8), ("build-up", 8), ("drop", 16), ("outro", 8))


@pytest.fixture(scope="module")
def track(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("audio") / "track.flac"
    samples, _ = make_track(TrackSpec(seed=5, layout=LAYOUT, strongest_drop=1, tempo_bpm=130.0))
    soundfile.write(path, samples, 44_100, subtype="PCM_16")
    return path


def test_json_follows_the_schema_with_a_draft(track, capsys):
    assert main([str(track), "--json", "--convention", str(EIGHT)]) == 0
    printed = capsys.readouterr()
    document = json.loads(printed.out)
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.validate(document, SCHEMA, jsonschema.Draft202012Validator)
    assert printed.err == ""
    assert document["tempo_bpm"] == pytest.approx(130.0, abs=0.01)
    assert document["decode"]["frames"] == soundfile.info(track).frames
    numbers = [marker["slot"] for marker in document["draft"]["markers"]]
    assert sorted(numbers + [empty["slot"] for empty in document["draft"]["empty"]]) == list(range(1, 9))


def test_json_without_a_convention_has_no_draft(track, capsys):
    assert main([str(track), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, SCHEMA, jsonschema.Draft202012Validator)
    assert "draft" not in document


def test_the_summary_speaks_to_people(track, capsys):
    assert main([str(track), "--convention", str(EIGHT)]) == 0
    text = capsys.readouterr().out
    assert "130.00 BPM, steady" in text
    assert "First drop" in text
    assert "empty: This slot is free" in text
    assert "LUFS" in text


def test_the_schema_refuses_what_is_not_promised(track, capsys):
    assert main([str(track), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    for broken in ({"tempo_bpm": "130"}, {"beats_s": [-1.0]}, {"surprise": 1}, {"key": {"tonic": "8", "mode": "A"}}):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(document | broken, SCHEMA, jsonschema.Draft202012Validator)


def refusal(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert main(list(arguments)) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.count("\n") == 1
    return printed.err


def test_a_missing_file_is_refused_in_one_line(tmp_path, capsys):
    assert "cannot be read" in refusal(capsys, str(tmp_path / "none.wav"))
    assert "cannot be read" in refusal(capsys, str(tmp_path))


def test_what_is_not_audio_is_refused(tmp_path, capsys):
    path = tmp_path / "notes.txt"
    path.write_text("not a sound")
    assert "not a sound file" in refusal(capsys, str(path), "--json")


def test_a_track_shorter_than_a_second_is_refused(tmp_path, capsys):
    path = tmp_path / "short.wav"
    soundfile.write(path, np.zeros((2_000, 1)), 44_100)
    assert "shorter than a second" in refusal(capsys, str(path))


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"{", "not a JSON document"),
        (b"\xff\xfe", "not a JSON document"),
        (b"[]", "must be a JSON object"),
        (b'{"name": "x", "slots": []}', "4 to 16 slots"),
        (b'{"name": "x", "slots": [1, 2, 3, 4]}', "Slot 1"),
    ],
)
def test_a_convention_that_cannot_be_used_is_refused_before_the_audio_is_read(tmp_path, capsys, content, expected):
    path = tmp_path / "convention.json"
    path.write_bytes(content)
    assert expected in refusal(capsys, str(tmp_path / "none.wav"), "--convention", str(path))
    assert "cannot be read" in refusal(capsys, "x.wav", "--convention", str(tmp_path / "none.json"))


def test_wrong_arguments_are_refused_in_one_line(capsys):
    refusal(capsys)
    refusal(capsys, "x.wav", "--nonsense")


def test_runs_as_a_program_without_django_or_a_database(track, tmp_path):
    check = (
        "import runpy, sys; sys.argv = ['analysis_worker', sys.argv[1], '--json']\n"
        "try:\n    runpy.run_module('analysis_worker', run_name='__main__')\n"
        "except SystemExit as end:\n    assert end.code == 0, end.code\n"
        "loaded = {name.split('.')[0] for name in sys.modules}\n"
        "assert not loaded & {'django', 'celery', 'crewprep'}, loaded\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", check, str(track)], cwd=ROOT, capture_output=True, text=True, timeout=120, check=False
    )
    assert run.returncode == 0, run.stderr
    assert json.loads(run.stdout)["steady"] is True
