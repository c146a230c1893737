"""Whether Parquet files can be written here."""

from sim.foundations.errors import OutputError


def require_parquet() -> None:
    """Check that Parquet can be written.

    Raises
    ------
    OutputError
        If the library is missing.
    """
    try:
        import pyarrow.parquet  # noqa: F401
    except ImportError as exc:
        raise OutputError(
            '--parquet needs the "cluster" extra: pip install "mirrorloop[cluster]"'
        ) from exc
