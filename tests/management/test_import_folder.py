"""A folder on the server into a crate: the same door as an upload, again and again without harm."""

from __future__ import annotations

from io import StringIO
from pathlib import Path

import pytest
from django.conf import settings
from django.core.management import CommandError, call_command

from crewprep.crates.models import Crate
from crewprep.crews.models import Membership, Role
from crewprep.jobs.models import Job
from crewprep.tracks.models import Track
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two tracks, one of them deeper, a picture, a hidden file, and links out of the folder."""
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret.wav").write_bytes(factories.wav_bytes())
    folder = tmp_path / "music"
    (folder / "deep" / "er").mkdir(parents=True)
    (folder / ".hidden").mkdir()
    (folder / "One.wav").write_bytes(factories.wav_bytes())
    (folder / "deep" / "er" / "Two.wav").write_bytes(factories.wav_bytes())
    (folder / "deep" / "cover.jpg").write_bytes(b"\xff\xd8\xff\xe0 picture")
    (folder / ".three.wav").write_bytes(factories.wav_bytes())
    (folder / ".hidden" / "four.wav").write_bytes(factories.wav_bytes())
    (folder / "link.wav").symlink_to(outside / "secret.wav")
    (folder / "away").symlink_to(outside)
    return folder


def run(lead: Membership, folder: Path, *more: str, crate: str = "Friday") -> list[str]:
    out = StringIO()
    call_command("import_folder", lead.crew.slug, crate, str(folder), "--as", lead.user.username, *more, stdout=out)
    return out.getvalue().splitlines()


def in_quarantine() -> list[Path]:
    return list(settings.QUARANTINE_DIR.glob("*"))


def test_audio_is_taken_in_and_the_rest_left_out(lead: Membership, folder: Path) -> None:
    factories.convention(lead)
    assert run(lead, folder) == [
        "taken      One.wav",
        "left out   deep/cover.jpg: not audio",
        "taken      deep/er/Two.wav",
        "1 left out, 2 taken.",
    ]
    crate = Crate.objects.get(name="Friday")
    assert [place.track.title for place in crate.places.all()] == ["One", "Two"]
    assert Job.objects.count() == 2
    assert in_quarantine() == []


def test_a_second_run_goes_on_where_the_first_was_cut_short(lead: Membership, folder: Path) -> None:
    crate = factories.crate(lead, "Friday")
    other = factories.crate(lead, "Saturday")
    factories.upload_wav(lead, crate, content=(folder / "One.wav").read_bytes())
    factories.upload_wav(lead, other, content=(folder / "deep" / "er" / "Two.wav").read_bytes())
    lines = run(lead, folder)
    assert lines[0] == "known      One.wav: in the crate as “tune”"
    assert lines[2] == "known      deep/er/Two.wav: “tune” is in the crate now"
    assert Track.objects.count() == 2
    assert run(lead, folder)[2] == "known      deep/er/Two.wav: in the crate as “tune”"
    assert crate.places.count() == 2


def test_a_dry_run_changes_nothing(lead: Membership, folder: Path) -> None:
    factories.convention(lead)
    lines = run(lead, folder, "--dry-run")
    assert lines[0] == "would take One.wav"
    assert lines[-1] == "1 left out, 2 would take. Nothing was changed."
    assert not Crate.objects.filter(name="Friday").exists()
    assert not Track.objects.exists()
    assert in_quarantine() == []


def test_a_refused_file_is_told_and_the_others_are_taken(
    lead: Membership, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    factories.convention(lead)
    (folder / "wrong.mp3").write_bytes(factories.wav_bytes())
    out = StringIO()
    with pytest.raises(CommandError, match="1 could not be taken") as stopped:
        call_command(
            "import_folder", lead.crew.slug, "Friday", str(folder), "--as", lead.user.username, stdout=out
        )  # fmt: skip
    assert stopped.value.returncode == 1
    assert "refused    wrong.mp3: “wrong.mp3” holds WAV audio" in out.getvalue()
    assert Track.objects.count() == 2


def test_only_by_who_may(lead: Membership, folder: Path) -> None:
    factories.crate(lead, "Friday")
    newcomer = factories.member_of(lead.crew, Role.NEWCOMER)
    with pytest.raises(CommandError):
        run(newcomer, folder)
    assert not Track.objects.exists()
    with pytest.raises(CommandError, match="no crew"):
        call_command("import_folder", "no-crew", "x", str(folder), "--as", lead.user.username)
    with pytest.raises(CommandError, match="not a folder"):
        run(lead, folder / "One.wav")
