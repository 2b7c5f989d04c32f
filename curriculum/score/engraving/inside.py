"""What happens in the boxed child: limits first, then Verovio. Started by `boxing`; nothing else imports it."""

import json
import os
import resource
import sys
from typing import Any

# Exit statuses the parent knows.
UNREADABLE, OUT_OF_MEMORY, FULL = 3, 4, 5

# prctl(2): ask for a signal when the parent dies. The value is fixed in Linux's interface.
_PR_SET_PDEATHSIG = 1
_SIGKILL = 9

# Beside the width: hardly any margins (the page has its own; bar numbers reach a little to the left of the staff), no title (the page has one), plain links, no font fetched or built in.
OPTIONS: dict[str, Any] = {
    "adjustPageHeight": True,
    "breaks": "auto",
    "footer": "none",
    "header": "none",
    "pageMarginBottom": 20,
    "pageMarginLeft": 26,
    "pageMarginRight": 4,
    "pageMarginTop": 20,
    "smuflTextFont": "none",
    "svgRemoveXlink": True,
    "svgViewBox": True,
}


def enter() -> None:
    """Read the order from the argument list and the score from standard input; write pictures as JSON to standard output."""
    order = json.loads(sys.argv[2])
    _die_with_parent(order["parent_pid"])
    _lower_limits(order["limits"])
    try:
        answer = json.dumps(_draw(sys.stdin.buffer.read().decode("utf-8"), order)).encode()
        while answer:
            answer = answer[os.write(1, answer) :]
    except MemoryError:
        os._exit(OUT_OF_MEMORY)
    except OSError:
        os._exit(FULL)
    except Exception:  # noqa: BLE001 - outermost frame of a process; the parent raises
        os._exit(UNREADABLE)
    os._exit(0)


def _draw(text: str, order: dict[str, Any]) -> dict[str, list[str]]:
    import verovio

    verovio.enableLog(verovio.LOG_OFF)
    toolkit = verovio.toolkit()
    pages: dict[str, list[str]] = {}
    for layout in order["layouts"]:
        toolkit.setOptions(OPTIONS | {"pageWidth": layout["width"], "pageHeight": layout["height"]})
        if not toolkit.loadData(text):
            raise ValueError("the engraver did not read its score")
        if order["bars"]:
            first, last = order["bars"]
            toolkit.select({"measureRange": f"{first + 1}-{last + 1}"})
            toolkit.redoLayout()
        pages[layout["name"]] = [toolkit.renderToSVG(page) for page in range(1, toolkit.getPageCount() + 1)]
    return pages


def _lower_limits(limits: dict[str, Any]) -> None:
    wanted = {
        resource.RLIMIT_CORE: 0,
        resource.RLIMIT_CPU: limits["cpu_s"],
        resource.RLIMIT_FSIZE: limits["answer_bytes"],
        resource.RLIMIT_NOFILE: 32,
    }
    if sys.platform == "linux":  # macOS names this one but refuses to lower it
        wanted[resource.RLIMIT_AS] = limits["memory_bytes"]
    for which, value in wanted.items():
        hard = resource.getrlimit(which)[1]
        value = value if hard == resource.RLIM_INFINITY else min(value, hard)
        resource.setrlimit(which, (value, hard if which == resource.RLIMIT_CPU else value))


def _die_with_parent(parent_pid: int) -> None:
    if sys.platform != "linux":
        return
    import ctypes

    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, _SIGKILL, 0, 0, 0)
    if os.getppid() != parent_pid:
        os._exit(1)
