"""What every part uses: errors with codes, the base of all rows, Allowed and Denied, text for people."""
