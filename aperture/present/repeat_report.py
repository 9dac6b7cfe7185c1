"""A study of repeats for other programs: one JSON object, or a table of the photos that count."""

import csv
import io
import json
import math
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from aperture.budget.contributions import QUANTITIES
from aperture.correction import in_record
from aperture.present.report import escape_formula
from aperture.studies.repeat_study import QuantityStudy, RepeatStudy, StateStudy
from aperture.studies.repeatability import LIMIT_FACTOR, PHOTO


def record(study: RepeatStudy) -> dict[str, Any]:
    """The study as plain values for JSON; null for what is not a finite number."""
    return {
        "photos": len(study.counted) + len(study.left_out),
        "counted": [
            {
                "photo": photo.measurement.photo,
                "reed": photo.reed,
                "state": photo.state,
                "person": photo.person,
                "session": photo.session,
            }
            for photo in study.counted
        ],
        "left_out": [
            {"photo": photo.measurement.photo, "why": photo.why, "advice": photo.advice}
            for photo in study.left_out
        ],
        "studies": [_of_state(state) for state in study.studies],
        "remarks": list(study.remarks),
        # An additive one changes no spread.
        "correction": next((in_record(photo.measurement.correction) for photo in study.counted), None),
    }


def json_text(study: RepeatStudy) -> str:
    """`record` as one JSON object on one line, in ASCII."""
    return json.dumps(_plain(record(study)), allow_nan=False)


def repeats_csv(study: RepeatStudy) -> bytes:
    """The photos that count, one per row, for a spreadsheet: who, when, and the four numbers. UTF-8."""
    text = io.StringIO(newline="")
    table = csv.writer(text)
    table.writerow(["file", "reed", "state", "person", "session", *QUANTITIES])
    for photo in study.counted:
        numbers = [getattr(photo.measurement.geometry, name) for name in QUANTITIES]
        name = escape_formula(Path(photo.measurement.photo).name)
        table.writerow([name, photo.reed, photo.state, photo.person, photo.session, *numbers])
    return text.getvalue().encode("utf-8", "backslashreplace")


def _of_state(state: StateStudy) -> dict[str, Any]:
    return {
        "state": state.state,
        "photos": len(state.photos),
        "reeds": state.number_of("reed"),
        "people": state.number_of("person"),
        "sessions": state.number_of("person", "session"),
        "notes": list(state.notes),
        "quantities": {name: _of_quantity(quantity) for name, quantity in state.quantities.items()},
    }


def _of_quantity(quantity: QuantityStudy) -> dict[str, Any]:
    spreads = quantity.spreads
    return {
        "repeats": spreads.repeats,
        "repeatability_limit": asdict(spreads.components[PHOTO].times(LIMIT_FACTOR)),
        "reproducibility_limit": asdict(spreads.measuring.times(LIMIT_FACTOR)),
        "spreads": {name: asdict(interval) for name, interval in spreads.components.items()},
        "measuring": asdict(spreads.measuring),
        "total": spreads.total,
        "categories": asdict(spreads.categories) if spreads.categories else None,
        "stated_u": quantity.stated_u,
        "analysis_of_variance": [
            {
                "term": term.name,
                "sum_of_squares": term.sum_of_squares,
                "degrees_of_freedom": term.degrees_of_freedom,
            }
            for term in spreads.terms
        ],
        "pooled": list(spreads.pooled),
        "sessions": asdict(quantity.sessions) if quantity.sessions else None,
        "average_and_range": asdict(quantity.ranges) if quantity.ranges else None,
        "odd": [[photo.measurement.photo for photo in photos] for photos in quantity.odd],
    }


def _plain(value: Any) -> Any:
    """The same values with None for every number that is not finite."""
    if isinstance(value, Mapping):
        return {name: _plain(item) for name, item in value.items()}
    if isinstance(value, list):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
