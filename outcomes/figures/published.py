"""Values from published studies, to set a practice's results beside; never truth for a practice."""

from __future__ import annotations

import pandas as pd

from outcomes.errors import InputError
from outcomes.paths import data_path


def published_values(topic: str | None = None) -> pd.DataFrame:
    """Published values with their sources, from shared/published_values.csv.

    Parameters
    ----------
    topic
        Only the rows of one topic, such as ``"rate"``.

    Returns
    -------
    DataFrame
        id, topic, group (in words), quantity, value, sd, unit, n, source, doi, note, movement and
        tooth_class (blank where the value belongs to no single one). Studies differ in how they
        define accuracy: ``quantity`` says which, and those must not be mixed.

    Raises
    ------
    InputError
        If there is no such topic.

    Examples
    --------
    >>> rates = published_values("rate").set_index("id")
    >>> float(rates.loc["premolar_rotation_2014", "value"])
    40.0
    """
    table = pd.read_csv(data_path("shared", "published_values.csv"), dtype={"doi": str})
    if topic is None:
        return table
    topics = table["topic"].drop_duplicates().tolist()
    if topic not in topics:
        raise InputError(f"No topic {topic!r} in the published values: choose {', '.join(topics)}.")
    return table[table["topic"] == topic].reset_index(drop=True)
