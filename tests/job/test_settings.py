"""Settings files: what they may say, and what is said of mistakes in them."""

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from stackbench.export.tiffdepth import TiffDepth
from stackbench.frames.records import CameraSetup, Frame, Kind, PixelLayout, Setup, Site
from stackbench.job.finding import with_site
from stackbench.job.remembering import laid_over_made, remember_settings
from stackbench.job.settings import Settings, SettingsError, load_settings
from stackbench.job.store import Store

EXAMPLE = Path(__file__).parents[2] / "resources" / "settings.toml"


def load(tmp_path, text):
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return load_settings(path)


def test_the_example_says_what_the_defaults_are():
    assert load_settings(EXAMPLE) == Settings()


def test_what_a_file_leaves_out_keeps_its_default(tmp_path):
    settings = load(tmp_path, "[review]\nfwhm_max_px = 4.5\n")
    assert settings.review.fwhm_max_px == 4.5
    assert settings.review.fwhm == Settings().review.fwhm
    assert settings.stacking == Settings().stacking


def test_false_turns_a_limit_off(tmp_path):
    assert load(tmp_path, "[review]\nsky = false\n").review.sky is None


def test_what_a_limit_leaves_out_keeps_its_default(tmp_path):
    default = Settings().review.fwhm
    assert default is not None
    review = load(tmp_path, "[review.fwhm]\nloosest = 1.6\n").review
    assert review.fwhm == replace(default, loosest=1.6)
    assert review.sky == Settings().review.sky


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[reviev]\n", "there is no part 'reviev'; the parts are calibration, masters"),
        ("stars = 3\n", "written below [stars]"),
        ("[review]\nfwhm_limit = 3\n", "no setting 'fwhm_limit'"),
        ("[review.fwhm]\nfactor = -1\ntightest = 1.2\nloosest = 1.3\n", "factor above 0"),
        ('[stacking]\nmethod = "best"\n', "stacking"),
        ('[registration]\nmodel = "rubber"\n', "registration"),
        ("[stars\n", "not a TOML file"),
        ("[stars]\nbox_px = 3\n", "box_px"),
        ("[planning]\nlatitude_deg = 3\n", "go together"),
        ("[planning]\nlatitude_deg = 93\nlongitude_deg = 1\n", "from -90 to 90"),
        ("[planning]\ngain = 1\n", "gain is above 1"),
    ],
)
def test_mistakes_are_named_with_the_file(tmp_path, text, message):
    with pytest.raises(SettingsError, match=r"mine\.toml") as caught:
        load(tmp_path, text)
    assert message in str(caught.value)


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(SettingsError, match=r"none\.toml"):
        load_settings(tmp_path / "none.toml")


def test_the_command_line_stands_over_the_file():
    settings = Settings().with_export(tiff="float32", stretch=True)
    assert settings.export.tiff is TiffDepth.FLOAT32
    assert settings.export.stretch
    assert Settings().with_export(tiff=None, stretch=None) == Settings()
    with pytest.raises(SettingsError, match="uint16 or float32"):
        Settings().with_export(tiff="float64", stretch=None)


def test_a_place_is_laid_on_frames_that_do_not_tell_theirs(tmp_path):
    text = "[planning]\nlatitude_deg = 46.3\nlongitude_deg = -8.7\nheight_m = 1200\n"
    site = load(tmp_path, text).planning.site
    assert site == Site(latitude_deg=46.3, longitude_deg=-8.7, height_m=1200)
    told = Site(latitude_deg=1.0, longitude_deg=2.0)
    bare = Frame(
        path=tmp_path / "a.fits",
        size_bytes=0,
        modified_ns=0,
        layout=PixelLayout(hdu=0, shape=(2, 2), bitpix=16),
        kind=Kind.LIGHT,
        setup=Setup(camera=CameraSetup(shape=(2, 2))),
    )
    frames = (bare, replace(bare, site=told))
    assert [one.site for one in with_site(frames, site)] == [site, told]
    assert with_site(frames, Settings().planning.site) == frames


def test_what_the_window_made_holds_where_nothing_else_is_said(tmp_path):
    default = Settings()
    made = default.model_copy(
        update={
            "export": replace(default.export, stretch=True),
            "review": replace(default.review, fwhm_max_px=4.5),
        }
    )
    with Store(tmp_path / "store.sqlite") as store:
        remember_settings(store, made)
        settings, parts = laid_over_made(store, Settings())
        assert settings == made
        assert set(parts) == {"export", "review"}
        # a file that says what the default is says something
        settings, parts = laid_over_made(store, load(tmp_path, "[review]\nfwhm_max_px = false\n"))
        assert settings.review == default.review
        assert parts == ("export",)
        # so does an option, by itself
        said = settings.with_export(tiff="uint16", stretch=None)
        assert (said.export.tiff, said.export.stretch) == (TiffDepth.UINT16, True)


def test_settings_are_on_the_disk_as_soon_as_they_are_made(tmp_path):
    made = Settings(review=replace(Settings().review, fwhm_max_px=4.5))
    with Store(tmp_path / "store.sqlite") as store:
        store.keep("measures", "a", {})  # what was kept before must not hold it up
        remember_settings(store, made)
        with sqlite3.connect(tmp_path / "store.sqlite") as other:
            kept = other.execute("SELECT key FROM pieces WHERE stage = 'session'").fetchall()
        other.close()
        assert kept == [("settings",)]
