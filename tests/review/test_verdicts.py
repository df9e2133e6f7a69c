"""Decisions made by hand over those of the rules."""

import pytest

from stackbench.review.verdicts import By, Decision, Reason, Verdict, overrule

BAD = Verdict(
    decision=Decision.REJECT,
    reasons=(Reason(measure="fwhm_px", value=6.1, limit=4.2, text="FWHM 6.1 px is …"),),
    doubt=0.4,
)
GOOD = Verdict(decision=Decision.KEEP, doubt=0.2)


def test_a_hand_keeps_and_rejects_and_the_rules_reasons_stay():
    kept, rejected, left = overrule([BAD, GOOD, GOOD], keep=[0], reject=[1])
    assert (kept.decision, kept.by, kept.reasons) == (Decision.KEEP, By.HAND, BAD.reasons)
    assert (rejected.decision, rejected.by, rejected.doubt) == (Decision.REJECT, By.HAND, 0.0)
    assert left is GOOD


def test_a_hand_may_confirm_a_rule():
    (confirmed,) = overrule([BAD], reject=[0])
    assert (confirmed.decision, confirmed.by) == (Decision.REJECT, By.HAND)


def test_contradictions_and_strangers_are_refused():
    with pytest.raises(ValueError, match="both kept and rejected"):
        overrule([BAD, GOOD], keep=[1], reject=[0, 1])
    with pytest.raises(ValueError, match="no sub 2"):
        overrule([BAD, GOOD], keep=[2])
    with pytest.raises(ValueError, match="no sub -1"):
        overrule([BAD, GOOD], reject=[-1])
