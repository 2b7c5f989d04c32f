"""What runs inside the box: every line that touches an unknown file.

Only `door` is called from outside, by a fresh interpreter (see `lessons.media.box`). Nothing here knows a path, a setting or a database.
"""
