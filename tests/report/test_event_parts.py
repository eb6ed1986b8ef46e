"""What stands beside an event's waveform: spectrum, phasors, wiring; each against what went into the samples."""

from __future__ import annotations

import numpy as np
import pytest
from report.made_report import SETTINGS, event, material, slice_for

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.report.content import build_content
from halfcycle.pipeline.report.page import render
from halfcycle.pipeline.report.phasor_pair import phasor_words
from halfcycle.pipeline.report.slice import BeforeAndDuring, Slice, phasors_of
from halfcycle.pipeline.report.spectrum import spectrum_of, spectrum_svg, spectrum_words
from halfcycle.pipeline.report.wiring_view import wiring_view

RATE_HZ, CYCLE = 12_800.0, 256
THIRD = np.exp(-2j * np.pi / 3)


def ringing_slice(hertz: float, volts: float) -> Slice:
    """Ten cycles of 230 V with an undamped ringing of a given amplitude in the sixth cycle."""
    t = np.arange(10 * CYCLE)
    wave = 230 * 2**0.5 * np.cos(2 * np.pi * t / CYCLE)
    at = slice(5 * CYCLE, 6 * CYCLE)
    wave[at] += volts * np.sin(2 * np.pi * hertz * (t[at] - 5 * CYCLE) / RATE_HZ)
    samples = wave.astype(np.float32)[None]
    return Slice((Channel("UA", "voltage", "A", "V"),), samples, RATE_HZ, -5.0 * CYCLE, float(CYCLE), "drawn")


@pytest.mark.parametrize(("hertz", "volts"), [(500.0, 40.0), (950.0, 80.0), (4000.0, 10.0)])
def test_the_spectrum_of_a_transient_peaks_where_it_rings_and_as_high(hertz: float, volts: float) -> None:
    # The sine that went in, of a whole number of periods in the window.
    one = event(kind="oscillatory_transient", observed_s=0.02, duration_s=0.02, oscillation_hz=hertz)
    found = spectrum_of(one, ringing_slice(hertz, volts), nominal=50.0)
    assert found is not None
    channel, at = np.unravel_index(int(found.amplitudes.argmax()), found.amplitudes.shape)
    assert found.frequencies_hz[at] == pytest.approx(hertz, abs=50)
    assert found.amplitudes[channel, at] == pytest.approx(volts, rel=0.02)
    assert f"lies at {hertz:g} Hz" in spectrum_words(one, found)
    assert spectrum_svg(one, ringing_slice(hertz, volts), found).startswith("<svg")


def test_events_of_other_kinds_and_transients_with_missing_samples_have_no_spectrum() -> None:
    assert spectrum_of(event(), ringing_slice(500, 40), nominal=50.0) is None
    cut = ringing_slice(500, 40)
    cut.samples[0, 5 * CYCLE + 3] = np.nan
    assert spectrum_of(event(kind="oscillatory_transient", observed_s=0.02), cut, nominal=50.0) is None


def test_phasors_are_told_in_words_before_and_during() -> None:
    # 3000 counts of 0.1 V peak are 212 V; the sag takes half.
    found = phasors_of(event(), slice_for(event()), nominal=50.0)
    assert found is not None
    assert phasor_words(found, "before") == "phasors before: UA 212 V, 0°; UB 212 V, -120°; UC 212 V, 120°"
    assert "UB 106 V, -120°" in phasor_words(found, "during")
    text = render(build_content(material([event()]), settings=SETTINGS), settings=SETTINGS)
    assert 'aria-label="phasors before' in text or "aria-label='phasors before" in text


def balanced(*, reversed_clamp: bool) -> BeforeAndDuring:
    volts = 230 * THIRD ** np.arange(3)
    amperes = 10 * np.exp(-0.4j) * THIRD ** np.arange(3)
    if reversed_clamp:
        amperes[1] *= -1
    both = np.concatenate([volts, amperes])
    return BeforeAndDuring(("A", "B", "C", "A", "B", "C"), 3, both, both)


def test_the_wiring_is_judged_from_the_phasors_before_an_event() -> None:
    # A clamp put on backwards turns its current by 180 degrees; nothing else was changed.
    good = wiring_view("Mill", balanced(reversed_clamp=False), hookup="four-wire", start_ns=0, nominal_v=230.0)
    assert good is not None
    assert good.signs == ()
    assert "they show no error" in good.verdict
    bad = wiring_view("Mill", balanced(reversed_clamp=True), hookup="four-wire", start_ns=0, nominal_v=230.0)
    assert bad is not None
    assert "is doubtful" in bad.verdict
    assert "B" in bad.verdict
    assert bad.drawing.startswith("<svg")
    assert wiring_view("Mill", balanced(reversed_clamp=False), hookup="", start_ns=0, nominal_v=None) is None
