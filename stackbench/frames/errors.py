"""The one error of this floor, a frame that cannot be used, and its usual causes."""

from pathlib import Path

from stackbench.frames.records import Problem


class FrameError(OSError):
    """A frame cannot be used; `problem` says why, and what to do.

    Parameters
    ----------
    problem : Problem
        The cause in words, kept as the attribute of the same name.
    passing : bool
        The same file may be readable the next time, such as one on a network
        disk; False when its content is at fault. Kept as an attribute.
    """

    def __init__(self, problem: Problem, *, passing: bool = False) -> None:
        where = f"{problem.path}: " if problem.path is not None else ""
        super().__init__(f"{where}{problem.what}. {problem.why} {problem.remedy}")
        self.problem = problem
        self.passing = passing


def unreadable(path: Path, error: OSError) -> FrameError:
    """Put an operating system's refusal into words.

    Parameters
    ----------
    path : Path
        The file.
    error : OSError
        What the system said.

    Returns
    -------
    FrameError
        To be raised.
    """
    return FrameError(
        Problem(
            path=path,
            what="The file cannot be read",
            why=f"The system says: {error.strerror or error}.",
            remedy="Check that it still exists and that you may read it.",
        ),
        passing=True,
    )


def truncated(path: Path, *, promised: int, found: int, passing: bool = False) -> FrameError:
    """Tell that a file is shorter than its header promises.

    Parameters
    ----------
    path : Path
        The file.
    promised, found : int
        Bytes that the header needs, and that are there.
    passing : bool
        It was whole when the night was looked through.

    Returns
    -------
    FrameError
        To be raised.
    """
    return FrameError(
        Problem(
            path=path,
            what="The file is truncated",
            why=f"Its header promises {promised} bytes, but there are only {found}.",
            remedy="Copy it again from the camera's computer; if it is short there too, delete it.",
        ),
        passing=passing,
    )


def damaged_packing(path: Path, error: Exception) -> FrameError:
    """Tell that a packed file cannot be unpacked.

    Parameters
    ----------
    path : Path
        The file.
    error : Exception
        What the unpacking said.

    Returns
    -------
    FrameError
        To be raised.
    """
    return FrameError(
        Problem(
            path=path,
            what="The packed file is damaged or cut off",
            why=f"Unpacking fails: {error}.",
            remedy="Copy it again, or pack the original again.",
        )
    )


def not_fits(path: Path, why: str) -> FrameError:
    """Tell that a file is not FITS at all.

    Parameters
    ----------
    path : Path
        The file.
    why : str
        What gave it away.

    Returns
    -------
    FrameError
        To be raised.
    """
    return FrameError(
        Problem(
            path=path,
            what="This is not a FITS file",
            why=why,
            remedy="Move it out of the folder, or give it the ending of what it really is.",
        )
    )


def no_image(path: Path, seen: list[str]) -> FrameError:
    """Tell that a file holds no single two-dimensional image.

    Parameters
    ----------
    path : Path
        The file.
    seen : list of str
        What its HDUs hold instead, in words; "no data" for nothing.

    Returns
    -------
    FrameError
        To be raised.
    """
    why = next((what for what in seen if what != "no data"), None)
    if why is not None:
        return FrameError(
            Problem(
                path=path,
                what="The image is not two-dimensional",
                why=f"It is {why}.",
                remedy="Only single mono frames can be used; write each plane to its own file.",
            )
        )
    return FrameError(
        Problem(
            path=path,
            what="The file holds no image",
            why="Its header announces no pixels (NAXIS = 0), and no extension holds an image.",
            remedy="Move it out of the folder; it cannot be a frame.",
        )
    )


def bad_header(path: Path, why: str) -> FrameError:
    """Tell that a header makes no sense.

    Parameters
    ----------
    path : Path
        The file.
    why : str
        Which card, and how.

    Returns
    -------
    FrameError
        To be raised.
    """
    return FrameError(
        Problem(
            path=path,
            what="The header is damaged",
            why=why,
            remedy="Copy the file again from the camera's computer, or delete it.",
        )
    )
