"""`python -m ptzd.guard`, which the daemon starts by itself."""

import signal

# Before anything that takes time is read: whatever ends the daemon must not end its guard while that starts.
for _number in (signal.SIGHUP, signal.SIGINT, signal.SIGQUIT, signal.SIGUSR1, signal.SIGUSR2, signal.SIGPIPE):
    signal.signal(_number, signal.SIG_IGN)

from ptzd.guard.process import main  # noqa: E402

main()
