"""The settings of a job, with sensible defaults, from a TOML file where wanted."""

import math
import tomllib
from collections.abc import Mapping
from dataclasses import MISSING, Field, asdict, dataclass, fields, is_dataclass, replace
from pathlib import Path
from types import UnionType
from typing import Any, Literal, Self, Union, get_args, get_origin, get_type_hints

from pydantic import BaseModel, ConfigDict, ValidationError, model_validator
from pydantic_core import ErrorDetails

from stackbench.calibration.matching import MatchingOptions
from stackbench.export.tiffdepth import TiffDepth
from stackbench.frames.records import Site
from stackbench.rejection.methods import Rejection
from stackbench.review.limits import Limits
from stackbench.stars.records import MeasureOptions

# From so many subs on, κσ rejection finds nearly all hits.
_FEW_SUBS = 5


class SettingsError(Exception):
    """A settings file cannot be used; the message says where and why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationOptions(MatchingOptions):
    """How calibration frames are matched, and what else is done to each sub.

    `cosmic_rays` says in which subs hits are looked for one by one: in none
    ("off"), in filters of which fewer than five subs are stacked ("few"), where
    rejection tells them badly, or in all ("all").
    """

    cosmic_rays: Literal["off", "few", "all"] = "off"

    def cleans(self, subs: int) -> bool:
        """Tell whether the subs of a stack are searched for hits.

        Parameters
        ----------
        subs : int
            How many are stacked.

        Returns
        -------
        bool
            Whether they are.
        """
        return self.cosmic_rays == "all" or (self.cosmic_rays == "few" and subs < _FEW_SUBS)


@dataclass(frozen=True, slots=True, kw_only=True)
class RegistrationOptions:
    """How subs are placed on the grid.

    `model` is "similarity" (shift, rotation, scale, mirror), or "affine" for
    trains whose frames are stretched against each other.
    """

    model: Literal["similarity", "affine"] = "similarity"


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportOptions:
    """How channels are written.

    `tiff` is the depth of the TIFF files. `stretch` makes them ready to look
    at; otherwise their values stay linear.
    """

    tiff: TiffDepth = TiffDepth.UINT16
    stretch: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanningOptions:
    """What the next nights are planned with.

    `latitude_deg` (north) and `longitude_deg` (east) tell, together, where the
    telescope stands, for frames whose headers do not; `height_m` above the sea.
    `gain` is the gain in signal-to-noise ratio for which hours are told.
    """

    latitude_deg: float | None = None
    longitude_deg: float | None = None
    height_m: float | None = None
    gain: float = 1.5

    def __post_init__(self) -> None:
        if (self.latitude_deg is None) is not (self.longitude_deg is None):
            raise ValueError("latitude_deg and longitude_deg go together")
        if self.latitude_deg is not None and not -90 <= self.latitude_deg <= 90:
            raise ValueError(f"latitude_deg is from -90 to 90, got {self.latitude_deg:g}")
        if self.longitude_deg is not None and not -180 <= self.longitude_deg <= 180:
            raise ValueError(f"longitude_deg is from -180 to 180, got {self.longitude_deg:g}")
        if not 1 < self.gain < math.inf:
            raise ValueError(f"gain is above 1, got {self.gain:g}")

    @property
    def site(self) -> Site | None:
        """Where the telescope stands.

        Returns
        -------
        Site or None
            None where that was not said.
        """
        if self.latitude_deg is None or self.longitude_deg is None:
            return None
        return Site(
            latitude_deg=self.latitude_deg,
            longitude_deg=self.longitude_deg,
            height_m=self.height_m,
        )


class Settings(BaseModel):
    """All settings of a job, one part for each of its steps."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    calibration: CalibrationOptions = CalibrationOptions()
    masters: Rejection = Rejection()
    stars: MeasureOptions = MeasureOptions()
    review: Limits = Limits()
    registration: RegistrationOptions = RegistrationOptions()
    stacking: Rejection = Rejection()
    export: ExportOptions = ExportOptions()
    planning: PlanningOptions = PlanningOptions()

    def with_export(self, *, tiff: str | None, stretch: bool | None) -> Self:
        """Put choices of the command line over those of the file.

        Parameters
        ----------
        tiff : str or None
            "uint16" or "float32"; None leaves the depth as it is.
        stretch : bool or None
            Whether TIFF files are stretched; None leaves that as it is.

        Returns
        -------
        Settings
            New settings.

        Raises
        ------
        SettingsError
            If `tiff` is no depth.
        """
        if tiff is None and stretch is None:
            return self
        export = self.export
        if tiff is not None:
            if tiff not in set(TiffDepth):
                raise SettingsError(f"--tiff {tiff}: choose {' or '.join(TiffDepth)}")
            export = replace(export, tiff=TiffDepth(tiff))
        if stretch is not None:
            export = replace(export, stretch=stretch)
        return self.model_copy(update={"export": export})

    @model_validator(mode="before")
    @classmethod
    def _check_names(cls, given: Any) -> Any:
        if not isinstance(given, Mapping):
            return given
        parts = {name: field.annotation for name, field in cls.model_fields.items()}
        return {name: _checked(value, parts.get(name), name) for name, value in given.items()}


# A change in one of these needs more than the stacks done again. What changes in
# the others, verdicts follow at once and stacks by their recipes.
BEFORE_JUDGING = ("calibration", "masters", "stars", "registration", "planning")


def changed_parts(before: Settings, now: Settings) -> tuple[str, ...]:
    """Name the parts in which settings differ.

    Parameters
    ----------
    before : Settings
        The settings as they were.
    now : Settings
        The settings as they are.

    Returns
    -------
    tuple of str
        In the order of the steps.
    """
    return tuple(
        name for name in Settings.model_fields if getattr(before, name) != getattr(now, name)
    )


def load_settings(path: Path) -> Settings:
    """Read a settings file.

    Parameters
    ----------
    path : Path
        A TOML file; what it leaves out keeps its default, and `false` turns a
        limit off.

    Returns
    -------
    Settings
        The settings.

    Raises
    ------
    SettingsError
        If the file cannot be read, or names something that is not there.
    """
    try:
        given = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise SettingsError(
            f"{path}: the settings file cannot be read ({error.strerror})"
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path}: not a TOML file: {error}") from error
    try:
        return settings_of(given)
    except SettingsError as error:
        raise SettingsError(f"{path}: {error}") from error


def settings_of(given: Mapping[str, Any]) -> Settings:
    """Make settings from plain values.

    Parameters
    ----------
    given : mapping
        Parts by name, and in them values by name; what is left out keeps its
        default.

    Returns
    -------
    Settings
        The settings.

    Raises
    ------
    SettingsError
        If a name or value cannot be; the message says which and why.
    """
    try:
        return Settings.model_validate(given)
    except ValidationError as error:
        raise SettingsError("; ".join(_in_words(fault) for fault in error.errors())) from error


def _in_words(fault: ErrorDetails) -> str:
    where = ".".join(str(part) for part in fault["loc"])
    match fault["type"]:
        case "extra_forbidden":
            parts = ", ".join(Settings.model_fields)
            return f"there is no part {where!r}; the parts are {parts}"
        case "dataclass_type":
            return f"{where} is a part with settings of its own, written below [{where}]"
        case _:
            said = fault["msg"].removeprefix("Value error, ")
            return f"{where}: {said}" if where else said


def _checked(value: Any, expected: Any, where: str) -> Any:
    """Refuse names that a part does not have, and read false as "turned off"."""
    if value is False and type(None) in get_args(expected):
        return None
    record = _record_type(expected)
    if record is None or not isinstance(value, Mapping):
        return value
    kinds = get_type_hints(record)
    known = {field.name: field for field in fields(record)}
    for name in value:
        if name not in known:
            raise ValueError(f"{where} has no setting {name!r}; it has {', '.join(sorted(known))}")
    return {
        name: _checked(_completed(one, known[name]), kinds[name], f"{where}.{name}")
        for name, one in value.items()
    }


def _completed(value: Any, field: Field[Any]) -> Any:
    """Take what a part within a part leaves out from its default."""
    default = field.default if field.default_factory is MISSING else field.default_factory()
    if isinstance(value, Mapping) and is_dataclass(default) and not isinstance(default, type):
        return asdict(default) | dict(value)
    return value


def _record_type(expected: Any) -> Any:
    candidates = get_args(expected) if get_origin(expected) in (Union, UnionType) else (expected,)
    return next((one for one in candidates if is_dataclass(one)), None)
