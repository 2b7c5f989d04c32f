"""Errors of the graph package."""


class GraphError(Exception):
    """Base of every error raised by `curriculum.graph`."""


class LoopError(GraphError):
    """Prerequisites go round in a circle, so no order exists.

    Attributes
    ----------
    loop : tuple of str
        The ids along the loop, each needing the next; the first id is repeated at the end.
    """

    def __init__(self, loop: tuple[str, ...]) -> None:
        super().__init__(f"these need each other in a circle: {' needs '.join(loop)}; wanted prerequisites without one")
        self.loop = loop


class UnknownIdError(GraphError):
    """An id is named that the given skills or units do not hold."""


class RulesError(GraphError):
    """The numbers of the standing rules contradict one another."""
