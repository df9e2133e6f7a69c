"""The command line's `stackbench camera`: what a night's frames tell of its cameras."""

import typer

from stackbench.cli.options import NOTHING_DONE, Jobs, Nights, Out, SettingsFile, wrong_use


def camera(
    nights: Nights,
    *,
    out: Out = None,
    settings: SettingsFile = None,
    jobs: Jobs = None,
) -> None:
    """Measure the camera: gain, read noise, dark current, linearity, flats.

    Prints a table, and leaves the numbers and the photon transfer in OUT/camera. Masters are
    made as 'run' makes them by the same settings, which uses them again. Exit code 0 when
    there was something to measure, 1 when there are no calibration frames, 2 for wrong use.
    """
    from stackbench.export.files import WriteError
    from stackbench.frames.errors import FrameError
    from stackbench.job.bench import WrongUseError, check_folders, open_bench
    from stackbench.job.camerastudy import FOLDER, study_cameras
    from stackbench.job.camerawords import camera_lines
    from stackbench.job.console import ConsoleProgress
    from stackbench.job.remembering import propose_output, with_made_settings
    from stackbench.job.settings import Settings, SettingsError, load_settings
    from stackbench.job.store import StoreError

    try:
        out = out or propose_output(nights)
        check_folders(nights, out)
        chosen = load_settings(settings) if settings is not None else Settings()
        with (
            ConsoleProgress() as progress,
            open_bench(out, settings=chosen, progress=progress, threads=jobs) as bench,
        ):
            cameras = study_cameras(with_made_settings(bench), nights)
    except (WrongUseError, SettingsError, StoreError, WriteError, FrameError) as error:
        wrong_use(error)
    if not cameras:
        typer.echo("No calibration frames were found.")
        raise typer.Exit(NOTHING_DONE)
    for facts in cameras:
        typer.echo("\n".join([*camera_lines(facts), ""]))
    typer.echo(f"Numbers and photon transfer: {out / FOLDER}")
