"""What is known of a stack, in words."""

from stackbench.frames.words import counted, duration, thousands
from stackbench.job.difference import Difference, Doubt
from stackbench.job.noisecurve import NoiseCurve
from stackbench.job.recipes import Recipe
from stackbench.job.stacking import FinishedStack


def stack_words(stack: FinishedStack) -> str:
    """Tell a stack's numbers.

    Parameters
    ----------
    stack : FinishedStack
        The stack.

    Returns
    -------
    str
        One sentence, and its warnings.
    """
    facts, recipe = stack.facts, stack.recipe
    parts = [f"{counted(len(recipe.subs), 'sub')}, {duration(recipe.exposure_s)}"]
    if facts.noise_adu is not None:
        parts.append(f"noise {facts.noise_adu:.2f} ADU")
    if facts.fwhm_px is not None:
        parts.append(f"FWHM {facts.fwhm_px:.2f} px")
    clipped = thousands(facts.clipped_low + facts.clipped_high)
    parts.append(f"rejected by {facts.rejection}: {clipped} values")
    return ", ".join([*parts, *facts.warnings]) + "."


def noise_words(curve: NoiseCurve, recipe: Recipe) -> str:
    """Tell what more subs would bring.

    Parameters
    ----------
    curve : NoiseCurve
        How the noise fell.
    recipe : Recipe
        What the stack is made of.

    Returns
    -------
    str
        Two sentences.
    """
    more = curve.subs_to_halve
    total = recipe.exposure_s
    time = f" ({duration(total / len(recipe.subs) * more)})" if total is not None else ""
    return (
        f"Noise now {curve.noise_adu[-1]:.2f} ADU in the middle. One more sub would take away "
        f"{100 * curve.gain_of_next:.1f} %; halving it takes {more} more{time}."
    )


def difference_words(doubt: Doubt, found: Difference) -> str:
    """Tell what the doubtful subs do to a stack.

    Parameters
    ----------
    doubt : Doubt
        Which they are.
    found : Difference
        What they do.

    Returns
    -------
    str
        How to read the picture, and the numbers.
    """
    pairs = (
        ("noise", found.without.noise_adu, found.with_them.noise_adu, ".4g", "ADU"),
        ("FWHM", found.without.fwhm_px, found.with_them.fwhm_px, ".2f", "px"),
    )
    numbers = ", ".join(
        f"{name} {before:{form}} → {after:{form}} {unit}"
        for name, before, after, form, unit in pairs
        if before is not None and after is not None
    )
    return (
        f"What {counted(len(doubt.subs), 'doubtful sub')} would add: middle grey is nothing, "
        f"white {found.scale.white:.3g} ADU or more, black as much less.  "
        + (f"With them: {numbers}." if numbers else "")
    )
