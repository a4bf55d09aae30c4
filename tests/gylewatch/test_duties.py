"""What is done at every tick: one failure is shown and stops nothing else."""

from __future__ import annotations

from gylewatch.duties import Duties
from gylewatch.errors import StorageError


def test_a_duty_that_fails_is_shown_until_it_succeeds_and_the_others_go_on() -> None:
    faults: list[Exception] = [OverflowError("too large"), StorageError("the disk is full", retry=True)]
    done: list[str] = []

    def fail_twice() -> None:
        if faults:
            raise faults.pop(0)

    duties = Duties({"noting floats": fail_twice, "judging silence": lambda: done.append("judged")})

    duties.run()
    first = duties.problems()
    duties.run()
    second = duties.problems()
    duties.run()

    assert done == ["judged"] * 3
    assert first == ("noting floats failed and is tried again; the log has the details",)
    assert second == ("noting floats failed and is tried again: the disk is full",)
    assert duties.problems() == ()
