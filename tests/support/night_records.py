"""The record of an invented night, with all that can be hostile in it."""

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path, PurePosixPath

import numpy as np

from stackbench.export.lessons import (
    AdviceEntry,
    FieldMapEntry,
    FigureEntry,
    FilterAdviceEntry,
    FindingEntry,
    LimitEntry,
    StandingEntry,
)
from stackbench.export.night import (
    ChannelFiles,
    DroppedFrame,
    FrameEntry,
    MasterEntry,
    Night,
    ProblemEntry,
    StackEntry,
)

HOSTILE = '<script>alert("1")</script> ../../x =1+1'
_FILTERS = ("L", "R", "G", "B", "Ha")
_START = datetime(2031, 2, 3, 20, 5, tzinfo=UTC)


def invented_night(out: Path, *, lights: int = 40, target: str = "Veil of Nowhere") -> Night:
    """Make the record of a night with cloud, a bump and drifting focus."""
    rng = np.random.default_rng(11)
    raw = PurePosixPath("/data/night one")
    subs = tuple(_light(raw, i, lights, target, rng) for i in range(lights))
    darks = tuple(
        FrameEntry(path=raw / f"dark_{i:03d}.fits", kind="dark", exposure_s=300.0, setup="cam A")
        for i in range(12)
    )
    return Night(
        out=out,
        inputs=(raw,),
        written=datetime(2031, 2, 4, 9, 30, tzinfo=UTC),
        frames=(*subs, *darks),
        masters=(
            MasterEntry(
                kind="dark",
                path=out / "masters" / "dark_300s.fits",
                frames=tuple(frame.path for frame in darks),
                setup="cam A",
                exposure_s=300.0,
                temperature_c=-10.0,
                rejected_pixels=1234,
                read_noise_e=3.41,
                level_adu=501.2,
                bad_pixels=321,
                serves=lights,
                dropped=(DroppedFrame(path=raw / "dark_099.fits", why="its level is far off"),),
                notes=("bias kept in: exposure and temperature match",),
                warnings=("3.5 °C warmer than the lights",),
                sha256="ab" * 32,
            ),
        ),
        stacks=tuple(
            StackEntry(
                target=target,
                setup="cam A",
                filter=name,
                path=out / "stacks" / f"{name}.fits",
                channel=ChannelFiles(
                    fits=out / "channels" / f"{name}.fits",
                    tif=out / "channels" / f"{name}.tif",
                    png=out / "channels" / f"{name}.png",
                ),
                frames=tuple(f.path for f in subs if f.filter == name and f.verdict == "keep"),
                exposure_s=sum(300.0 for f in subs if f.filter == name and f.verdict == "keep"),
                noise_adu=1.25,
                fwhm_px=2.9,
                shape=(400, 600),
                crop=(10, 12, 580, 380),
                rejection="winsorised κσ, low 3, high 3",
                reference=subs[0].path,
            )
            for name in _FILTERS
        ),
        problems=(
            ProblemEntry(
                path=raw / f"{HOSTILE}.fits".replace("/", "_"),
                what="This frame was left out.",
                why=f"the file ends early {HOSTILE}",
                remedy="copy it from the camera's computer again",
            ),
            ProblemEntry(
                what="No flat serves the filter Ha.", why="none was found", remedy="take some"
            ),
        ),
        findings=(
            FindingEntry(
                topic="focus",
                cause="focus drift",
                title="The focus drifted",
                text=f"The stars grew while it cooled {HOSTILE}.",
                evidence=("FWHM follows the temperature", HOSTILE),
                confidence="likely",
                figures=(
                    FigureEntry(name="drift", value=0.41, uncertainty=0.03, unit="px/°C"),
                    FigureEntry(name="correlation", value=-0.94),
                ),
                subs=tuple(frame.path for frame in subs[20:30]),
                measures=("fwhm_px", "temperature_c"),
                start=subs[20].time,
                end=subs[29].time,
                remedy="Focus again after every change of 1 °C.",
            ),
            FindingEntry(
                topic="seeing",
                cause="sampling",
                title="The stars are sampled well",
                text="Nothing is lost.",
                evidence=("2.9 px per FWHM",),
                confidence="certain",
            ),
        ),
        advice=(
            AdviceEntry(
                target=target,
                setup="cam A",
                filters=(
                    FilterAdviceEntry(
                        filter="Ha",
                        subs=8,
                        exposure_s=2400.0,
                        sub_s=300.0,
                        noise_e_s=0.012,
                        shortest_sub_s=410.0,
                        read_share=0.07,
                        more_hours=0.7,
                        balance_hours=1.5,
                        lines=("1.5 h more would bring Ha to the other filters.",),
                    ),
                ),
                lines=("It is next above 30° in the dark on 2031-02-04.",),
            ),
        ),
        standings=(
            StandingEntry(
                night="2031-02-03",
                target=target,
                setup="cam A",
                filter="L",
                measure="fwhm_px",
                value=3.1,
                typical=3.4,
                nights=30,
                better_than=22,
                text="FWHM 3.10 px, better than 22 of 30 nights",
            ),
        ),
        limits=tuple(
            LimitEntry(
                target=target, setup="cam A", filter=name, measure=measure, limit=limit, bad=bad
            )
            for name in _FILTERS
            for measure, limit, bad in (
                ("transparency", 0.6, "below"),
                ("eccentricity", 0.65, "above"),
            )
        ),
        field_maps=(
            FieldMapEntry(
                target=target,
                setup="cam A",
                subs=36,
                shape=(400, 600),
                fwhm_px=((2.9, 2.8, 3.1), (2.7, 2.6, 2.8), (3.3, 2.9, None)),
                eccentricity=((0.5, 0.3, 0.5), (0.3, 0.1, 0.3), (0.6, 0.4, None)),
                angle_deg=((30.0, 90.0, 150.0), (0.0, 10.0, 0.0), (150.0, 90.0, None)),
                count=((80, 90, 70), (95, 120, 88), (60, 77, 2)),
            ),
        ),
        settings={"review": {"fwhm_sigma": 3.0, "limit": math.inf}, "jobs": None},
        versions={"stackbench": "0.1.0", "numpy": "2.4"},
    )


def _light(
    raw: PurePosixPath, i: int, lights: int, target: str, rng: np.random.Generator
) -> FrameEntry:
    phase = i / lights
    cloudy, trailed = 0.55 < phase < 0.65, i == lights // 4
    transparency = 0.35 if cloudy else 0.97 + 0.03 * rng.random()
    eccentricity = 0.82 if trailed else 0.35 + 0.1 * rng.random()
    reasons = ("transparency 0.35 is under the limit of 0.60",) if cloudy else ()
    reasons += ("eccentricity 0.82 is over the limit of 0.65",) if trailed else ()
    return FrameEntry(
        path=raw / f"light_{i:03d}.fits",
        kind="light",
        filter=_FILTERS[i % len(_FILTERS)],
        target=target,
        setup="cam A",
        exposure_s=300.0,
        time=_START + timedelta(seconds=330 * i),
        verdict="reject" if reasons else "keep",
        by="rule",
        reasons=reasons,
        fwhm_px=2.6 + 0.8 * phase + 0.05 * rng.normal(),
        eccentricity=eccentricity,
        elongation_deg=None if i % 7 else math.nan,
        stars=420 - 100 * cloudy,
        sky_adu=800 + 400 * (phase - 0.5) ** 2 + 90 * cloudy,
        noise_adu=np.float64(14.2),
        transparency=transparency,
        weight=0.0 if reasons else 1.0,
        to_grid=((1.0, 0.0, 3.25), (0.0, 1.0, -1.5), (0.0, 0.0, 1.0)),
        matched=180,
        rms_px=0.11,
        temperature_c=-10.0,
        is_reference=i == 0,
        calibration=("dark of 300 s, bias kept in", "flat of the same evening"),
        sha256=f"{i:064x}",
        altitude_deg=35.0 + 30.0 * phase,
        airmass=1.7 - 0.6 * phase,
        sun_altitude_deg=-14.0 - 25.0 * phase,
        moon_altitude_deg=20.0 - 45.0 * phase,
        ambient_temperature_c=8.0 - 5.0 * phase,
        focus_position=12000.0 + 25.0 * (i // 10),
        night="2031-02-03",
    )
