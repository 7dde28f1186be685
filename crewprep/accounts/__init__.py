"""A person's account across the packages: leaving crews, what one may do there, taking one's data along, closing it."""
