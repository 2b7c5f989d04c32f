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


class StateError(GraphError):
    """A file that describes skills, units and a target cannot be used.

    Attributes
    ----------
    place : str
        Where in the file, such as ``units[3].needs[0]``, counted from 0.
    """

    def __init__(self, place: str, wanted: str) -> None:
        super().__init__(f"{place}: {wanted}")
        self.place = place


class PlacementError(GraphError):
    """Answers of a placement do not fit the questions that were asked."""


class ProposalError(GraphError):
    """A proposal of the check-up cannot be carried out on these units."""


class BarsError(GraphError):
    """A text that should name bars does not."""
