"""Finding tracks in a large library: where each stands in one indexed row, searches that are kept, changes to many."""
