"""The crew's rules: which numbered slot means what. A published version never changes."""
