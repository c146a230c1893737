"""Progress of work that is counted: what is done, of how many, on stderr."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn


@contextmanager
def counting_bar() -> Iterator[Callable[[str], Callable[[int, int], None]]]:
    """Give a function that names a stage and returns how to tell (done, all) of it."""
    progress = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.completed:.0f} of {task.total:.0f}  elapsed"),
        TimeElapsedColumn(),
        console=Console(stderr=True),
        transient=True,
    )

    def stage(words: str) -> Callable[[int, int], None]:
        task = progress.add_task(words, total=1.0, visible=False)

        def tell(done: int, total: int) -> None:
            progress.start()
            progress.update(task, completed=done, total=total, visible=True)

        return tell

    try:
        yield stage
    finally:
        if progress.live.is_started:
            progress.stop()
