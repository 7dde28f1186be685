"""What the product costs: ``python -m tests.bench`` (``make bench``) prints the analysis, then the pages."""
