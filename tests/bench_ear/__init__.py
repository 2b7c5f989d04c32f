"""How well takes are heard, on takes rendered anew for it: `make bench-ear`. README.md beside this file says what was reached."""
