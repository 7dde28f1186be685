"""The record of who did what: one row for every change, in the same transaction, never altered."""
