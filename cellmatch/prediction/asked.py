"""The load that a job file asks for, as a case to predict."""

from __future__ import annotations

from cellmatch.pack.job import Job
from cellmatch.prediction.load import LoadCase


def case_of(job: Job) -> LoadCase | None:
    """Return the load of a job with what its cells and links may carry; None without a load.

    Parameters
    ----------
    job : Job

    Returns
    -------
    LoadCase or None
    """
    if job.current_a is None and job.power_w is None:
        return None
    names = ("current_a", "power_w", "peak_a", "cell_a", "cell_peak_a", "link_mohm", "load_uf")
    return LoadCase(**{name: value for name in names if (value := getattr(job, name)) is not None})
