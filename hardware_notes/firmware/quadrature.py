"""An incremental encoder: two square waves, a quarter of a period apart.

Which one leads tells the direction. Every change of either is a step, so an encoder of 1024
periods in a turn gives 4096 steps. Both lines changing at once is no step that exists: one was
missed, or a line is disturbed. It is counted as a slip, since the count may be wrong from then on.

An incremental encoder knows no angle, only steps since the power came on, and a short dip of the
power would begin at a wrong zero without a word. So nothing is told before the zero has been set:
by a push button, pressed with the boom over the rear, or by the encoder's index line, one pulse in
a turn.
"""

# Step for (A before, B before, A now, B now) as a number of four bits; 2 marks a slip.
_STEPS = (0, -1, 1, 2, 1, 0, 2, -1, -1, 2, 0, 1, 2, 1, -1, 0)


class Quadrature:
    """Counts the steps of one encoder.

    Attributes:
        count: steps since the zero; forwards is A before B.
        slips: changes that can't be.
        is_known: False until the zero has been set, where it is to be set.

    Args:
        levels: lines at the start, 2 · A + B.
        waits: whether the zero is to be set.
    """

    def __init__(self, levels, *, waits=False):
        self.count = 0
        self.slips = 0
        self.is_known = not waits
        self._before = levels

    def change(self, levels):
        """Takes the lines after a change, 2 · A + B; for interrupts, asks for no memory."""
        step = _STEPS[self._before * 4 + levels]
        self._before = levels
        if step == 2:
            self.slips += 1
        else:
            self.count += step

    def set_zero(self):
        """Here the count is 0."""
        self.count = 0
        self.is_known = True


class Encoder:
    """An encoder on its pins, sampled by a timer.

    Args:
        board: gives pins and ticks.
        entry: its entry in the configuration.
        channel: where its readings go.
        fault_channel: where the count of slips goes when it has changed.
        samples: the buffer that the timer writes to.
    """

    def __init__(self, board, entry, channel, fault_channel, samples):
        self._ticks_us = board.ticks_us
        self._a = board.input_pin(entry["a"], pull_up=True)
        self._b = board.input_pin(entry["b"], pull_up=True)
        self._wraps_at = entry["wraps_at"]
        self._channel = channel
        self._fault_channel = fault_channel
        self._samples = samples
        self._told_slips = 0
        zero = entry["zero"]
        self._zero_level = entry["zero_level"]
        self._steps = Quadrature(self._a.value() * 2 + self._b.value(), waits=zero is not None)
        board.on_edges(self._a, self._on_edge)
        board.on_edges(self._b, self._on_edge)
        if zero is not None:
            board.on_edges(board.input_pin(zero, pull_up=True), self._on_zero)
        board.every(1000 // entry["rate_hz"], self._sample)

    def _on_edge(self, _pin):
        self._steps.change(self._a.value() * 2 + self._b.value())

    def _on_zero(self, pin):
        if pin.value() == self._zero_level:
            self._steps.set_zero()

    def _sample(self, _timer):
        steps = self._steps
        if not steps.is_known:
            return
        ticks = self._ticks_us()
        count = steps.count % self._wraps_at if self._wraps_at else steps.count
        self._samples.put(self._channel, ticks, count)
        if steps.slips != self._told_slips:
            self._told_slips = steps.slips
            self._samples.put(self._fault_channel, ticks, steps.slips)
