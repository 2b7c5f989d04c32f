"""Become another program that ends when its parent does. Run as a file: launch.py PARENT_PID PROGRAM ARGUMENT...

On Linux the kernel sends SIGTERM when the parent dies. Elsewhere this only becomes the program, and the guard does the rest.
"""

import ctypes
import os
import signal
import sys

# The kernel's option "signal to me when my parent dies", which is not in Python's library.
PR_SET_PDEATHSIG = 1


def main(arguments: list[str]) -> None:
    parent, command = int(arguments[0]), arguments[1:]
    if sys.platform == "linux":
        ctypes.CDLL(None, use_errno=True).prctl(PR_SET_PDEATHSIG, int(signal.SIGTERM), 0, 0, 0)
        if os.getppid() != parent:  # it died before we asked
            sys.exit(1)
    os.execv(command[0], command)


if __name__ == "__main__":
    main(sys.argv[1:])
