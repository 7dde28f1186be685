"""Nights and crates. A crate is pinned to one convention version."""
