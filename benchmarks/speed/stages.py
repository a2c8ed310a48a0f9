"""Reading one file with a stop-watch on every function of the receiver."""

from __future__ import annotations

import functools
import importlib
import inspect
import json
import pkgutil
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import soundfile

import tapewright.line
from tapewright.audio import open_audio
from tapewright.cards import load_format
from tapewright.chain import read
from tapewright.line import decode

__all__ = ["run_here"]


#: So much of it is read before, so that all there is to compile for it is compiled.
WARM_UP_SECONDS = 60.0
#: Of recordings from so long on, the memory is that of reading them to the end: blocks and program as well.
LONG_SECONDS = 3600.0
#: What is called from here on belongs to acquisition.
ACQUISITION = (".acquire", "._find")
ACQUIRING = "acquiring: "
#: The stages of reading, and how the names of their functions begin; the first match counts.
STAGES = {
    "acquisition": (ACQUIRING,),
    "front (rate, band, level)": ("front.", "decode.survey"),
    "pass 1, searched": ("trellis.search_forward", "search.", "Nodes.", "scene.", "Scene.", "Path."),
    "pass 1, followed": ("trellis.follow", "first.", "Followed."),
    "pass 2, clock and waveforms": ("clock.", "carrier.", "grid.", "Grid.", "imprint.", "Imprint."),
    "pass 2, sequence": ("sequence.",),
    "pass 2, the rest": ("polish.", "doubt.", "stretches."),
    "rest": ("",),
}


class StopWatch:
    """Time of each function less that of the watched functions it calls."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = defaultdict(float)
        self._inner = [0.0]
        self._acquiring = 0

    def watch(self, name: str, work: Callable[..., Any]) -> Callable[..., Any]:
        """Wrap a function; of a generator, the time between its being asked and its answer counts."""

        def timed(call: Callable[[], Any]) -> Any:
            began = time.perf_counter()
            self._inner.append(0.0)
            is_acquisition = name.endswith(ACQUISITION)
            self._acquiring += is_acquisition
            try:
                return call()
            finally:
                took = time.perf_counter() - began
                label = f"{ACQUIRING}{name}" if self._acquiring else name
                self.seconds[label] += took - self._inner.pop()
                self._inner[-1] += took
                self._acquiring -= is_acquisition

        if inspect.isgeneratorfunction(work):

            @functools.wraps(work)
            def generator(*values: Any, **named: Any) -> Any:
                steps = work(*values, **named)
                while True:
                    try:
                        step = timed(lambda: next(steps))
                    except StopIteration:
                        return
                    yield step

            return generator

        def wrapped(*values: Any, **named: Any) -> Any:
            return timed(lambda: work(*values, **named))

        if hasattr(work, "py_func"):  # some compiled functions are called as plain Python as well
            wrapped.py_func = work.py_func  # type: ignore[attr-defined]
        return wrapped


def by_stage(seconds: dict[str, float]) -> dict[str, float]:
    """Add functions up to stages."""
    stages = dict.fromkeys(STAGES, 0.0)
    for name, spent in seconds.items():
        stage = next(stage for stage, starts in STAGES.items() if name.startswith(starts))
        stages[stage] += spent
    return stages


def watch_receiver(watch: StopWatch) -> None:
    """Put the watch on every function and method of `tapewright.line`, compiled ones included."""
    modules = [
        importlib.import_module(f"tapewright.line.{found.name}")
        for found in pkgutil.iter_modules(tapewright.line.__path__)
    ]
    wrapped: dict[int, Any] = {}
    for module in modules:
        compiled = _names_in_compiled(module)
        for name, value in list(vars(module).items()):
            home = getattr(value, "__module__", "") or ""
            if not home.startswith("tapewright.line"):
                continue
            if hasattr(value, "py_func") and (home == module.__name__ or name in compiled):
                continue  # compiled functions find one another by these names, whenever they are compiled
            if inspect.isclass(value):
                if home == module.__name__:
                    _watch_methods(watch, value)
            elif callable(value):
                label = f"{home.rsplit('.', 1)[-1]}.{name}"
                if id(value) not in wrapped:
                    wrapped[id(value)] = watch.watch(label, value)
                setattr(module, name, wrapped[id(value)])


def _names_in_compiled(module: ModuleType) -> set[str]:
    """Global names that the compiled functions of a module look up."""
    functions = (value.py_func for value in vars(module).values() if hasattr(value, "py_func"))
    return {
        name
        for function in functions
        if function.__module__ == module.__name__
        for name in function.__code__.co_names
    }


def _watch_methods(watch: StopWatch, kind: type) -> None:
    for name, value in list(vars(kind).items()):
        label = f"{kind.__name__}.{name}"
        if inspect.isfunction(value) and not name.startswith("__"):
            setattr(kind, name, watch.watch(label, value))
        elif isinstance(value, classmethod):
            setattr(kind, name, staticmethod(watch.watch(label, getattr(kind, name))))


def run_here(card_name: str, path: Path, stages: bool) -> None:
    """Read the file and print the figures as JSON."""
    card = load_format(card_name)
    with soundfile.SoundFile(path) as file:
        seconds = len(file) / file.samplerate
        warm_up = path.with_name(f"warm-up-{path.name}")
        soundfile.write(warm_up, file.read(int(WARM_UP_SECONDS * file.samplerate)), file.samplerate)
    idle = _megabytes("RssAnon")
    decode(open_audio(str(warm_up)), card)  # compiles, and fills the caches
    warm_up.unlink()
    watch = StopWatch()
    if stages:
        watch_receiver(watch)
    began, began_cpu = time.perf_counter(), time.process_time()
    with Memory() as memory:
        importlib.import_module("tapewright.line.decode").decode(open_audio(str(path)), card)
    took, took_cpu = time.perf_counter() - began, time.process_time() - began_cpu
    split = dict(sorted(watch.seconds.items(), key=lambda item: -item[1]))
    if seconds >= LONG_SECONDS:
        with Memory() as memory:
            read(path, format=card)
    began = time.process_time()
    with soundfile.SoundFile(path) as file:
        for _ in file.blocks(1 << 16, dtype="float32"):
            pass
    library = time.process_time() - began
    split["audio files, and the rest"] = took - sum(split.values())
    print(
        json.dumps(
            {
                "took_seconds": round(took, 3),
                "cpu_seconds": round(took_cpu, 3),
                "library_seconds": round(library, 3),
                "times_real_time": round(seconds / took_cpu, 2),
                "times_library": round(took_cpu / library, 2),
                "peak_megabytes": round(memory.peak_megabytes, 1),
                "resident_megabytes": round(memory.resident_megabytes, 1),
                "idle_megabytes": round(idle, 1),
                "stages": {name: round(value, 3) for name, value in by_stage(split).items()}
                if stages
                else {},
                "functions": {name: round(value, 3) for name, value in split.items()} if stages else {},
            }
        )
    )


class Memory:
    """The most memory of its own that the process had, and of all kinds; looked at every few milliseconds.

    Arrays in files (`tapewright.model.scratch`) are not its own: what of them is in memory the system takes
    back as soon as anyone needs it.
    """

    SECONDS = 0.01

    def __init__(self) -> None:
        self.peak_megabytes = self.resident_megabytes = 0.0
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> Memory:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()

    def _watch(self) -> None:
        while not self._ended.wait(self.SECONDS):
            self.peak_megabytes = max(self.peak_megabytes, _megabytes("RssAnon"))
            self.resident_megabytes = max(self.resident_megabytes, _megabytes("VmRSS"))


def _megabytes(name: str) -> float:
    """What the system says of the process: memory of its own, or of all kinds."""
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith(f"{name}:"):
            return int(line.split()[1]) / 1024
    return float("nan")


if __name__ == "__main__":  # by itself: what writes recordings would count as memory for reading them
    run_here(sys.argv[1], Path(sys.argv[2]), "--stages" in sys.argv)
