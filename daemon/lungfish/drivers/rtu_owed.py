"""Which answers a device on a serial line still owes, and when one that comes can be told from the one that is meant.

An RTU frame has no number: an answer to a read tells neither which address was asked nor when. After a time-out the
answer may still come, and would be taken for the answer to the next request of the same kind. What helps is that a
device answers in the order in which it was asked. So a question whose answer can't be mistaken goes first: when that is
answered, nothing older is to come. Pure arithmetic on monotonic seconds.
"""

from __future__ import annotations

from lungfish.drivers.messages import BITS, Function, Request
from lungfish.drivers.rtu_frame import hunt, shape

__all__ = ["Owed"]

_READS = (Function.READ_HOLDING, Function.READ_INPUT, Function.READ_COILS, Function.READ_DISCRETE_INPUTS)
_MOST_REGISTERS = 125


class Owed:
    """What one unit owes.

    Args:
        forget_s: an answer that has not come for so long will not come any more, s.
    """

    def __init__(self, forget_s: float) -> None:
        self.late_s = 0.0
        """How long after its request an answer has come lately that came too late, s; 0: none did."""
        self._forget_s = forget_s
        self._requests: list[tuple[Request, float]] = []

    def __bool__(self) -> bool:
        """Whether anything is owed."""
        return bool(self._requests)

    def add(self, request: Request, at_s: float) -> None:
        """This was asked at this moment and not answered."""
        self._requests = [kept for kept in self._requests if kept[0] != request]
        self._requests.append((request, at_s))

    def forget(self, now_s: float) -> None:
        """Drop what is too old to come."""
        self._requests = [kept for kept in self._requests if now_s - kept[1] < self._forget_s]

    def free_at_s(self) -> float:
        """When the oldest is too old to come; only while something is owed."""
        return self._requests[0][1] + self._forget_s

    def arrived(self, received: bytes, *, echoed: bool) -> bool:
        """Settle what has come too late, and all that was asked before it.

        Args:
            received: what has come since the last request was given up.
            echoed: the line gives back what is sent.

        Returns:
            Whether anything that was owed is in it.
        """
        found = False
        while received:
            answers = ((place, hunt(owed, received, echoed=echoed)) for place, (owed, _) in enumerate(self._requests))
            first = next(((place, heard) for place, heard in answers if heard.answered), None)
            if first is None:
                break
            found = True
            del self._requests[: first[0] + 1]
            received = received[first[1].end :]
        return found

    def blocks(self, request: Request) -> bool:
        """Whether an answer that is owed could be taken for the answer to this request.

        Never of a write: its answer holds all that was written, so at worst it confirms the same order given before;
        and an order to shut must not wait. That it was the older answer is remembered, see `settle`.
        """
        return not request.is_write and self._function_owed(request.function)

    def settle(self, request: Request, at_s: float, *, exception: bool) -> bool:
        """This request has had an answer, by all that its bytes tell.

        Args:
            request: what was asked.
            at_s: when.
            exception: whether it was answered with an exception, which tells nothing but the function.

        Returns:
            Whether it can only be the answer to this very request. All that was asked before is then settled, for a
            device answers in order. If not, the request is owed as well, for its own answer may be still to come.
        """
        shapes = {shape(owed) for owed, _ in self._requests}
        if self._function_owed(request.function) if exception else shape(request) in shapes:
            self.add(request, at_s)
            return False
        self._requests.clear()
        return True

    def probes(self, request: Request) -> list[Request]:
        """Questions whose answers nothing that is owed can be taken for, the likeliest to be answered first.

        All are reads. The first asks the same function for another number of values, which every device can tell; an
        exception would not settle it. The others ask another function: an exception, from a device that does not
        know it, does as well.
        """
        unit, address = request.unit, request.address
        found = [Request(request.function, unit, *_other_length(request))]
        found += [Request(function, unit, address, 1) for function in _READS]
        shapes = {shape(owed) for owed, _ in self._requests}
        return [
            probe
            for number, probe in enumerate(found)
            if (shape(probe) not in shapes if number == 0 else not self._function_owed(probe.function))
        ]

    def _function_owed(self, function: Function) -> bool:
        return any(owed.function is function for owed, _ in self._requests)


def _other_length(request: Request) -> tuple[int, int]:
    """Address and count of a read whose answer has another length, at an address that the device surely has."""
    if request.function in BITS:
        return max(0, request.address - 8), 9
    if request.operand > 1:
        return request.address, request.operand - 1
    return max(0, request.address - 1), 2
