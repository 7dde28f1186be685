"""Cleaning of tags and file names. Categories of Unicode, bidirectional controls of UAX 9."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis_worker.core.text import MAX_TEXT, clean_file_name, clean_text

BIDI_CONTROLS = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"


@pytest.mark.parametrize(
    ("text", "clean"),
    [
        ("  Night\tDrive \n(Long  Mix) ", "Night Drive (Long Mix)"),
        ("Cafe\u0301", "Café"),
        ("a\0b\x1b[31mc\x7f", "ab[31mc"),
        ("gpj.\u202exe", "gpj.xe"),
        ("lone \ud800 half", "lone half"),
        ("<script>=1+1", "<script>=1+1"),
        ("", ""),
        ("\u200b\ufeff\u2028", ""),
        ("می\u200cخواهم", "می\u200cخواهم"),
    ],
)
def test_clean_text(text: str, clean: str):
    assert clean_text(text) == clean


@given(st.text(st.characters(), max_size=500) | st.text(BIDI_CONTROLS + "ab\u0301\n\0", max_size=500))
def test_clean_text_holds_its_promises(text: str):
    clean = clean_text(text)
    assert len(clean) <= MAX_TEXT
    assert clean == clean.strip()
    assert not set(clean) & set(BIDI_CONTROLS)
    assert not any(unicodedata.category(char) in ("Cc", "Cs", "Zl", "Zp") for char in clean)
    assert clean_text(clean) == clean
    clean.encode("utf-8")


def test_a_long_text_is_cut_between_whole_letters():
    assert clean_text("x" * 199 + "q\u0301" + "tail") == "x" * 199
    assert len(clean_text("\u0301" * 1_000_000)) <= MAX_TEXT


@pytest.mark.parametrize(
    ("name", "clean"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\music\\Set One.FLAC", "Set One.FLAC"),
        (".hidden.wav", "hidden.wav"),
        ("/", "track"),
        ("\0", "track"),
        ("n" * 500 + ".flac", "n" * 195 + ".flac"),
    ],
)
def test_clean_file_name(name: str, clean: str):
    assert clean_file_name(name) == clean
