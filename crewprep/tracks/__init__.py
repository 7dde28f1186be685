"""Tracks and their audio: upload to quarantine, copies, the canonical decode. Originals are never changed."""
