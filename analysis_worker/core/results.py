"""What an analysis says about a track, as plain frozen values (standard library only).

Every time is an integer in microseconds from the first sample of the canonical decode. Two forms leave this module:
``to_facts``/``from_facts`` keep those integers (the form that is stored), ``to_document`` prints seconds (the form of
``python -m analysis_worker FILE --json``, see ``schemas/analysis.schema.json``).

Words: ``vocabulary`` in DEVELOPERS.md. Roles of sections and the meaning of energy are defined there too.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from typing import Any, Literal, TypeVar, get_args

from analysis_worker.core import contour_form

ENGINE_VERSION = "3"
"""Version of the analysis: raised whenever the same audio may give other facts."""

Role = Literal["intro", "breakdown", "build-up", "drop", "bridge", "outro"]
ROLES: tuple[Role, ...] = get_args(Role)

LoopPlace = Literal["entry", "exit", "inner"]

Mode = Literal["major", "minor"]

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class TempoCandidate:
    """One reading of the tempo: beats per minute and a score from 0 to 1 (the chosen reading comes first)."""

    bpm: float
    score: float


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to hear the beat, so that a member can change the grid with one key.

    ``bpm`` is its tempo (not steady: the mean), ``first_beat_us`` its first beat inside the audio; its other beats lie
    among the chosen ones, or a whole fraction of a beat between two of them. ``score`` (0 to 1) is how likely it is;
    ``words`` says how it differs from the chosen reading, which comes first ("half the tempo", "half a beat later").
    """

    bpm: float
    first_beat_us: int
    beats_per_bar: int
    score: float
    words: str


@dataclass(frozen=True, slots=True)
class TempoSegment:
    """A stretch of the grid with one tempo, from ``start_us`` to the start of the next one."""

    start_us: int
    bpm: float


@dataclass(frozen=True, slots=True)
class Section:
    """A span with one role. ``energy`` is the mean energy of its bars (0 to 1)."""

    start_us: int
    end_us: int
    role: Role
    confidence: float
    energy: float
    reason: str


@dataclass(frozen=True, slots=True)
class Drop:
    """A drop and the figures by which drops are compared, over its first 16 bars (or fewer).

    ``strength`` ranks the drops of one track (0 to 1, the strongest has the highest). ``width_db`` is what differs
    between the channels against what they share (None for mono). ``same_as`` counts, from 0, the earlier drop whose
    notes it repeats. ``soft`` marks a first drop that a later one clearly outdoes. ``reason`` sets its figures beside
    those of the first drop.
    """

    start_us: int
    loudness_lufs: float
    low_db: float
    onsets_per_beat: float
    strength: float
    width_db: float | None = None
    same_as: int | None = None
    soft: bool = False
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Key:
    """Tonic and mode by their musical names ("F#", "minor"), with the second best reading."""

    tonic: str
    mode: Mode
    confidence: float
    runner_up: str

    @property
    def name(self) -> str:
        """The key as a musician writes it: "F# minor"."""
        return f"{self.tonic} {self.mode}"


@dataclass(frozen=True, slots=True)
class KeySpan:
    """A span of the track in one key."""

    start_us: int
    end_us: int
    tonic: str
    mode: Mode
    confidence: float


@dataclass(frozen=True, slots=True)
class VoiceRegion:
    """A span that is likely vocal, and how likely (0 to 1)."""

    start_us: int
    end_us: int
    confidence: float


@dataclass(frozen=True, slots=True)
class Contour:
    """What the phrase rows draw: ``steps_per_beat`` values (0 to 255) for each beat of ``beats_us``.

    ``loudness`` is the short-term level within the track's own range, ``low`` the share of the low end (30-120 Hz)
    against the track's loudest low end, ``onsets`` the strength of the strongest attack in the step. Each has
    ``steps_per_beat * (len(beats_us) - 1)`` values; without a grid seconds stand for beats, from time zero to the end.
    Facts of engine 1 have four steps a beat, no onsets, and no contour where there is no grid.
    """

    steps_per_beat: int
    loudness: tuple[int, ...]
    low: tuple[int, ...]
    onsets: tuple[int, ...] = ()

    def to_facts(self) -> str:
        """The stored form, see ``contour_form``."""
        series = (self.loudness, self.low, self.onsets or (0,) * len(self.low))
        return contour_form.pack(self.steps_per_beat, series)

    @classmethod
    def from_facts(cls, facts: str | dict[str, Any]) -> Contour:
        """Read the stored form, or that of engine 1; raises ``ValueError`` or ``KeyError`` for anything else."""
        if isinstance(facts, str):
            steps, (loudness, low, onsets, *_) = contour_form.unpack(facts)
            return cls(steps, loudness, low, onsets)
        return cls(facts["steps_per_beat"], tuple(facts["loudness"]), tuple(facts["low"]))


@dataclass(frozen=True, slots=True)
class Loop:
    """A span of whole bars that may be repeated, and its seam: how well its end joins its start (0 to 1).

    ``rank`` is the share of the track's own bar lines whose step in sound is smaller than the seam's: up to 0.9 a seam
    is as natural as what the music does anyway. ``place`` tells what a loop is for: to enter by, to leave by, or
    neither.
    """

    start_us: int
    end_us: int
    bars: int
    seam: float
    rank: float = 0.5
    place: LoopPlace = "inner"


@dataclass(frozen=True, slots=True)
class Decode:
    """The canonical decode: which decoder read the file, and what it gave.

    ``leading_trim_frames`` counts the frames that the decoder cut from the start (encoder delay), where it tells.
    """

    decoder: str
    decoder_version: str
    leading_trim_frames: int
    sample_rate: int
    channels: int
    frames: int
    pcm_sha256: str

    @property
    def duration_us(self) -> int:
        """Length of the decode in microseconds."""
        return round(self.frames * 1_000_000 / self.sample_rate)


@dataclass(frozen=True, slots=True)
class TrackAnalysis:
    """All measured facts of one track.

    ``beats_us`` holds every beat of the grid inside the audio, ``downbeats_us`` the first beat of each bar and
    ``phrases_us`` the first beat of each phrase, both subsets of ``beats_us``. ``energy`` has one value per downbeat.
    A track without a detectable grid has ``tempo_bpm`` None and empty lists. ``loudness_lufs`` and
    ``true_peak_dbtp`` are None for silence, ``short_term_max_lufs`` and ``loudness_range_lu`` (EBU Tech 3341 and 3342)
    also for what is shorter than three seconds. ``keys`` are the keys one after another where a track has one; ``key``
    is that of the longest. ``voice`` lists the spans that are likely vocal. ``readings`` are the ways to hear the beat,
    the chosen one first, and ``metre_confidence`` (0 to 1) is how sure ``beats_per_bar`` is. ``pickup_beats``
    counts the beats before the first downbeat. ``loops`` lists, for each usual length, the loops at section starts and
    the best ones to leave by.
    """

    engine: str
    duration_us: int
    tempo_bpm: float | None
    tempo_candidates: tuple[TempoCandidate, ...]
    steady: bool
    tempo_segments: tuple[TempoSegment, ...]
    grid_confidence: float
    beats_per_bar: int
    beats_us: tuple[int, ...]
    downbeats_us: tuple[int, ...]
    downbeat_confidence: float
    phrases_us: tuple[int, ...]
    phrase_confidence: float
    sections: tuple[Section, ...]
    drops: tuple[Drop, ...]
    key: Key | None
    loudness_lufs: float | None
    true_peak_dbtp: float | None
    energy: tuple[float, ...]
    contour: Contour
    warnings: tuple[str, ...] = field(default=())
    loops: tuple[Loop, ...] = field(default=())
    short_term_max_lufs: float | None = None
    loudness_range_lu: float | None = None
    keys: tuple[KeySpan, ...] = field(default=())
    voice: tuple[VoiceRegion, ...] = field(default=())
    readings: tuple[Reading, ...] = field(default=())
    metre_confidence: float = 0.0
    pickup_beats: int = 0

    def to_facts(self) -> dict[str, Any]:
        """The stored form: plain JSON values, times in integer microseconds, the contour as packed text."""
        # ``asdict`` copies number by number, and the contour has most of them.
        return asdict(replace(self, contour=Contour(0, (), ()))) | {"contour": self.contour.to_facts()}

    @classmethod
    def from_facts(cls, facts: dict[str, Any]) -> TrackAnalysis:
        """Read the stored form back; unknown names are ignored, so that an older reader meets newer facts in peace.

        Raises ``KeyError`` where a needed name is missing.
        """
        key = facts["key"]
        return cls(
            engine=facts["engine"],
            duration_us=facts["duration_us"],
            tempo_bpm=facts["tempo_bpm"],
            tempo_candidates=tuple(_read(TempoCandidate, item) for item in facts["tempo_candidates"]),
            steady=facts["steady"],
            tempo_segments=tuple(_read(TempoSegment, item) for item in facts["tempo_segments"]),
            grid_confidence=facts["grid_confidence"],
            beats_per_bar=facts["beats_per_bar"],
            beats_us=tuple(facts["beats_us"]),
            downbeats_us=tuple(facts["downbeats_us"]),
            downbeat_confidence=facts["downbeat_confidence"],
            phrases_us=tuple(facts["phrases_us"]),
            phrase_confidence=facts["phrase_confidence"],
            sections=tuple(_read(Section, item) for item in facts["sections"]),
            drops=tuple(_read(Drop, item) for item in facts["drops"]),
            key=_read(Key, key) if key else None,
            loudness_lufs=facts["loudness_lufs"],
            true_peak_dbtp=facts["true_peak_dbtp"],
            energy=tuple(facts["energy"]),
            contour=Contour.from_facts(facts["contour"]),
            warnings=tuple(facts["warnings"]),
            loops=tuple(_read(Loop, item) for item in facts.get("loops", ())),
            short_term_max_lufs=facts.get("short_term_max_lufs"),
            loudness_range_lu=facts.get("loudness_range_lu"),
            keys=tuple(_read(KeySpan, item) for item in facts.get("keys", ())),
            voice=tuple(_read(VoiceRegion, item) for item in facts.get("voice", ())),
            readings=tuple(_read(Reading, item) for item in facts.get("readings", ())),
            metre_confidence=facts.get("metre_confidence", 0.0),
            pickup_beats=facts.get("pickup_beats", 0),
        )

    def to_document(self) -> dict[str, Any]:
        """The printed form: the same facts with times in seconds (six decimals), per ``analysis.schema.json``."""
        document: dict[str, Any] = _in_seconds(asdict(self))
        if self.key:
            document["key"]["name"] = self.key.name
        return document


@dataclass(frozen=True, slots=True)
class DraftMarker:
    """A suggested marker: the slot it fills, where, how sure (0 to 1), and one reason in words."""

    slot: int
    start_us: int
    end_us: int | None
    confidence: float
    reason: str


@dataclass(frozen=True, slots=True)
class EmptySlot:
    """A slot that the draft leaves empty, and why."""

    slot: int
    reason: str


@dataclass(frozen=True, slots=True)
class Draft:
    """Markers suggested for one track by one convention; every slot is either marked or empty with a reason."""

    markers: tuple[DraftMarker, ...]
    empty: tuple[EmptySlot, ...]

    def to_facts(self) -> dict[str, Any]:
        """Plain JSON values, times in integer microseconds."""
        return asdict(self)

    def to_document(self) -> dict[str, Any]:
        """Plain JSON values, times in seconds."""
        document: dict[str, Any] = _in_seconds(self.to_facts())
        return document


def _read(kind: type[_T], values: dict[str, Any]) -> _T:
    names = kind.__dataclass_fields__  # type: ignore[attr-defined]  # every kind here is a dataclass
    return kind(**{name: value for name, value in values.items() if name in names})


def _in_seconds(value: Any) -> Any:
    """Replace every ``…_us`` name by ``…_s`` and its integers by seconds."""
    if isinstance(value, dict):
        return {
            (name.removesuffix("_us") + "_s" if name.endswith("_us") else name): (
                _to_seconds(item) if name.endswith("_us") else _in_seconds(item)
            )
            for name, item in value.items()
        }
    if isinstance(value, list | tuple):
        return [_in_seconds(item) for item in value]
    return value


def _to_seconds(value: Any) -> Any:
    if isinstance(value, list | tuple):
        return [_to_seconds(item) for item in value]
    return None if value is None else round(value / 1_000_000, 6)
