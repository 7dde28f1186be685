"""The measured facts of a track, as a worker stored them. Each analysis is kept; the newest counts."""
