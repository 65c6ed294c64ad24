"""A task for the tests of the cluster that takes its worker down with it, and one that does not."""

import os
import signal


def fall_with_the_worker(number: int) -> int:
    if number == 0:
        os.kill(os.getpid(), signal.SIGKILL)
    return number
