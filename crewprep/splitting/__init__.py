"""Dividing a crate's tracks among members by estimated minutes, and doing so again when somebody drops out."""
