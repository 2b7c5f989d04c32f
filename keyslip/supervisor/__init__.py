"""One program that runs all the others: queue server, web server, worker, sweeper.

What it promises:

- a program that dies is started again, sooner at first and then more patiently;
- Ctrl-C or SIGTERM stops everything within ten seconds;
- nothing outlives it, even when it is killed outright: on Linux the kernel tells each program (`launch.py`), on every
  system a guard notices that the pipe to it closed and ends the process groups (`guard.py`), and should all of them be
  killed at once, the next start ends what the last one left (`leftovers.py`).

`launch.py` and `guard.py` are run as files and import the standard library only.
"""

from keyslip.supervisor.programs import Ports, Program, queue_program, sweeper_program, web_program, worker_program
from keyslip.supervisor.supervisor import AlreadyRunningError, Supervisor, SupervisorError

__all__ = [
    "AlreadyRunningError",
    "Ports",
    "Program",
    "Supervisor",
    "SupervisorError",
    "queue_program",
    "sweeper_program",
    "web_program",
    "worker_program",
]
