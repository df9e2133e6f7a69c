"""The one error of this floor: a frame that cannot be used, told as a problem."""

from stackbench.frames.records import Problem


class FrameError(OSError):
    """A frame cannot be used; `problem` says why, and what to do.

    Parameters
    ----------
    problem : Problem
        The cause in words, kept as the attribute of the same name.
    """

    def __init__(self, problem: Problem) -> None:
        where = f"{problem.path}: " if problem.path is not None else ""
        super().__init__(f"{where}{problem.what}. {problem.why} {problem.remedy}")
        self.problem = problem
