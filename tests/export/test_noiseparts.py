"""Where a stack's noise comes from, in words."""

from stackbench.export.noiseparts import NoisePartEntry, noise_lines

SUBS = NoisePartEntry(source="subs", noise_adu=3.0, share=0.8996)
BIAS = NoisePartEntry(source="bias", noise_adu=0.01, share=0.0004, frames=40, more=10, gain=1e-5)


def _dark(gain):
    return NoisePartEntry(source="dark", noise_adu=1, share=0.1, frames=12, more=10, gain=gain)


def test_what_matters_is_said_with_its_remedy():
    shares, darks, dithering = noise_lines((SUBS, BIAS, _dark(0.031)), 0.062)
    assert shares == (
        "of the noise's square: subs 90 %, bias (of 40) under 0.1 %, dark (of 12) 10 %"
    )
    assert darks == "10 more darks would lower the noise by 3 % (22 instead of 12)"
    assert dithering.endswith("would lower the noise by 6 %")


def test_what_does_not_matter_gets_no_advice():
    assert len(noise_lines((SUBS, BIAS, _dark(0.009)), 0.009)) == 1
    assert noise_lines((), None) == ()
