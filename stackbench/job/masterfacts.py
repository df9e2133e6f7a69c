"""How what is known of a master is written down."""

from functools import cache

from pydantic import TypeAdapter

from stackbench.calibration.records import MasterFacts


@cache
def master_facts() -> TypeAdapter[MasterFacts]:
    """Give what turns facts into JSON and back.

    Made when it is first asked for: that takes a while, and a job's start would
    wait for it.

    Returns
    -------
    TypeAdapter
        The same one every time.
    """
    return TypeAdapter(MasterFacts)
