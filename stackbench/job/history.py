"""The person's nights so far, a few numbers each, kept for comparison with later ones.

One SQLite file with a row for each night, target, setup and filter. Several
programs may use it at once; a job done again replaces its own rows.
"""

import os
from collections.abc import Sequence
from dataclasses import astuple, dataclass, fields
from pathlib import Path

import platformdirs

from stackbench.job.sharedfile import SharedFile

_TABLE = """
CREATE TABLE IF NOT EXISTS nights (
    night TEXT NOT NULL, target TEXT NOT NULL, setup TEXT NOT NULL, filter TEXT NOT NULL,
    subs INTEGER NOT NULL, hours REAL NOT NULL, fwhm_px REAL, fwhm_arcsec REAL,
    sky_adu_s REAL, transparency_scatter REAL, rejected_share REAL,
    PRIMARY KEY (setup, filter, night, target)) WITHOUT ROWID;
"""
_LISTED = """
SELECT night, target, setup, filter, subs, hours, fwhm_px, fwhm_arcsec, sky_adu_s,
    transparency_scatter, rejected_share
FROM nights ORDER BY setup, filter, night, target
"""
_KEPT = """
INSERT OR REPLACE INTO nights (night, target, setup, filter, subs, hours, fwhm_px, fwhm_arcsec,
    sky_adu_s, transparency_scatter, rejected_share)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""


class HistoryError(Exception):
    """The history cannot be read or written; says why and what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupNight:
    """What one night gave for one target, setup and filter.

    `night` is the date of its evening, ISO 8601. Unknown text is empty, an
    unknown number None. `subs` and `hours` are those kept. Medians are of the kept
    subs: `fwhm_px`, `fwhm_arcsec` and the sky per second, `sky_adu_s`.
    `transparency_scatter` is the robust standard deviation of all subs'
    transparency over its median, `rejected_share` that of the judged subs.
    """

    night: str
    target: str
    setup: str
    filter: str
    subs: int
    hours: float
    fwhm_px: float | None = None
    fwhm_arcsec: float | None = None
    sky_adu_s: float | None = None
    transparency_scatter: float | None = None
    rejected_share: float | None = None


def default_history() -> Path:
    """Tell where the person's history lies unless they place it elsewhere.

    Returns
    -------
    Path
        The file that the environment variable STACKBENCH_HISTORY names, else
        one among the person's own application data. Need not exist.
    """
    named = os.environ.get("STACKBENCH_HISTORY")
    if named:
        return Path(named)
    return Path(platformdirs.user_data_dir("stackbench", appauthor=False)) / "history.sqlite"


class History:
    """The nights so far.

    Parameters
    ----------
    path : Path
        The file; made when the first night is kept.
    """

    def __init__(self, path: Path) -> None:
        self.path = path.absolute()
        self._file = SharedFile(
            path=self.path,
            table=_TABLE,
            schema=1,
            failure=HistoryError,
            what="the history of nights",
            remedy="move the file away, the next run begins a new one",
        )

    def nights(self) -> list[GroupNight]:
        """List all that is kept.

        Returns
        -------
        list of GroupNight
            By setup, filter, night and target; empty when there is no file.

        Raises
        ------
        HistoryError
            If the file cannot be read.
        """
        with self._file.reading() as db:
            if db is None:
                return []
            rows = db.execute(_LISTED).fetchall()
        names = [column.name for column in fields(GroupNight)]
        return [GroupNight(**dict(zip(names, row, strict=True))) for row in rows]

    def keep(self, nights: Sequence[GroupNight]) -> None:
        """Keep nights, in the place of what is known of the same ones.

        Parameters
        ----------
        nights : sequence of GroupNight
            What they gave; may be empty.

        Raises
        ------
        HistoryError
            If the file cannot be written; then nothing is kept.
        """
        known = set(self.nights())
        news = [astuple(one) for one in nights if one not in known]
        if not news:  # a commit waits for the disk
            return
        with self._file.writing() as db:
            db.executemany(_KEPT, news)
