"""Sheets: the markers of one track. Drafts come from a worker, versions from review; both are frozen once written."""
