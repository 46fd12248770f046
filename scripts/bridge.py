#!/usr/bin/env python3
"""A bridge between noctule and instruments that speak no SCPI.

It reads one JSON-RPC 2.0 request a line from standard input and writes one
answer a line to standard output. Copy it, keep `main`, and put your own
instruments in place of `TinyBench`, which simulates a bench that never was:
every number in it is invented.

Values are SI. What goes to standard error ends up in noctule's log.
Nothing but the standard library is needed.
"""

import json
import math
import random
import sys
import time


class BenchError(Exception):
    """What can go wrong, with the code that noctule understands."""

    ABSENT, BUSY, REFUSED, GARBLED, TIMED_OUT = 1, 2, 3, 4, 5

    def __init__(self, code, message):
        super().__init__(message)
        self.code = code


class TinyBench:
    """A tip above a resistor, in a cryostat that stays cold. Invented."""

    LIMITS = {"bias": (-10.0, 10.0), "setpoint": (1e-14, 1e-9)}
    READINGS = ("bias", "setpoint", "current", "approached", "stage")

    def __init__(self):
        self.set_to = {"bias": 0.05, "setpoint": 1e-11}
        self.approached = False
        self.task = None
        self.report = None
        self.noise = random.Random(1)

    def identify(self):
        return {"text": "noctule example,bridge to a tiny bench (invented),0,1"}

    def set(self, channel, value):
        if channel not in self.LIMITS:
            raise BenchError(BenchError.REFUSED, f"'{channel}' can't be set")
        low, high = self.LIMITS[channel]
        if not low <= value <= high:
            raise BenchError(BenchError.REFUSED, f"'{channel}' takes {low} to {high}, not {value}")
        self.set_to[channel] = value

    def read(self, channel):
        if channel in self.set_to:
            return self.set_to[channel]
        if channel == "approached":
            return 1.0 if self.approached else 0.0
        if channel == "stage":
            return 0.31 + self.noise.gauss(0.0, 5e-4)
        if channel == "current":
            mean = math.copysign(self.set_to["setpoint"], self.set_to["bias"])
            return (mean if self.approached else 0.0) + self.noise.gauss(0.0, 2e-13)
        raise BenchError(BenchError.REFUSED, f"there is no channel '{channel}'")

    def begin(self, task, arguments, channel=None):
        """Starts a task; it must not wait for its end."""
        if self.task is not None and time.monotonic() < self.task["ends"]:
            raise BenchError(BenchError.BUSY, f"{self.task['name']} is still running")
        lengths = {"approach": 0.3, "withdraw": 0.05, "coarse_step": 0.05}
        if task == "trace":
            if channel not in self.READINGS:
                raise BenchError(BenchError.REFUSED, f"there is no channel '{channel}'")
            lengths["trace"] = arguments["samples"] * arguments["interval_s"]
        if task not in lengths:
            raise BenchError(BenchError.REFUSED, f"this bench has no {task}")
        if task == "coarse_step" and self.approached:
            raise BenchError(BenchError.REFUSED, "a coarse step needs the tip withdrawn")
        if task == "withdraw":
            self.approached = False
        self.report = None
        self.task = {
            "name": task,
            "ends": time.monotonic() + lengths[task],
            "channel": channel,
            "samples": arguments.get("samples", 0),
        }

    def poll(self):
        """The end of the task, until the next one begins: an answer may get lost."""
        if self.report is not None:
            return self.report
        if self.task is None:
            raise BenchError(BenchError.REFUSED, "no task is running")
        if time.monotonic() < self.task["ends"]:
            return {"running": True}
        task, self.task = self.task, None
        if task["name"] == "approach":
            self.approached = True
        data = [self.read(task["channel"]) for _ in range(task["samples"])]
        self.report = {"running": False, "achieved": True, "remark": f"{task['name']} done", "data": data}
        return self.report

    def abort(self):
        """Ends a running task in a safe state. No harm if none runs."""
        self.task = None


METHODS = ("identify", "set", "read", "begin", "poll", "abort")


def answer(bench, request):
    """One request, one answer."""
    reply = {"jsonrpc": "2.0", "id": request.get("id")}
    method, params = request.get("method"), request.get("params", {})
    if method not in METHODS:
        return reply | {"error": {"code": -32601, "message": f"there is no method '{method}'"}}
    try:
        return reply | {"result": getattr(bench, method)(**params)}
    except BenchError as error:
        return reply | {"error": {"code": error.code, "message": str(error)}}
    except (TypeError, KeyError) as error:
        return reply | {"error": {"code": -32602, "message": f"wrong params: {error}"}}
    except Exception as error:  # A driver must answer, whatever happens.
        return reply | {"error": {"code": -32603, "message": repr(error)}}


def main():
    bench = TinyBench()
    for line in sys.stdin:
        try:
            request = json.loads(line)
            if not isinstance(request, dict):
                raise ValueError("a request is an object")
        except ValueError as error:
            reply = {"jsonrpc": "2.0", "id": None, "error": {"code": -32700, "message": str(error)}}
        else:
            reply = answer(bench, request)
        # Python would write not-a-number as NaN, which is no JSON.
        try:
            text = json.dumps(reply, allow_nan=False)
        except ValueError:
            error = {"code": BenchError.GARBLED, "message": "a reading is not finite"}
            text = json.dumps({"jsonrpc": "2.0", "id": reply["id"], "error": error})
        print(text, flush=True)


if __name__ == "__main__":
    main()
