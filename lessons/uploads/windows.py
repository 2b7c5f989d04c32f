"""Which parts of a file to compare when it is chosen a second time."""

# Bytes at the start, where a film says what it is, and at the end of what has arrived.
EDGE_BYTES = 262_144
# Bytes of each window between, and how many of them there are. With the edges about 1 MiB goes over the line, which takes a
# second or so on a poor one; a film that the phone has packed anew differs from its first kilobytes on.
SPOT_BYTES, SPOTS = 65_536, 8


def windows(arrived_bytes: int) -> tuple[tuple[int, int], ...]:
    """Return the windows in which a file chosen again must be what has arrived.

    Parameters
    ----------
    arrived_bytes : int
        How many bytes have arrived; 0 or more.

    Returns
    -------
    tuple of (int, int)
        Start and end (not included) of each window in bytes, sorted, none touching another. Together they are all that has
        arrived where that is little, at most about 1 MiB otherwise; empty where nothing has arrived.

    Examples
    --------
    >>> windows(100)
    ((0, 100),)
    >>> len(windows(50_000_000)), windows(50_000_000)[-1]
    (10, (49737856, 50000000))
    """
    wished = [(0, EDGE_BYTES)]
    wished += [
        (arrived_bytes * spot // (SPOTS + 1), arrived_bytes * spot // (SPOTS + 1) + SPOT_BYTES)
        for spot in range(1, SPOTS + 1)
    ]
    wished.append((arrived_bytes - EDGE_BYTES, arrived_bytes))
    found: list[tuple[int, int]] = []
    for start, end in sorted((max(0, start), min(end, arrived_bytes)) for start, end in wished):
        if found and start <= found[-1][1]:
            found[-1] = (found[-1][0], max(end, found[-1][1]))
        elif start < end:
            found.append((start, end))
    return tuple(found)
