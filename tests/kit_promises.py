"""Whether an event's data keeps what its kind promises in the interface's schema.

Owns the strict look at one event. Knows nothing of how events come about.
"""

from __future__ import annotations

from typing import Any

from pydantic import ValidationError

from daemon.schema_events import EVENT_DATA


def broken_promise(kind: str, data: dict[str, Any]) -> str | None:
    """What an event's data lacks of what its kind promises, None where it keeps it all.

    A kind that promises nothing keeps it.
    """
    model = EVENT_DATA.get(kind)
    if model is None:
        return None
    try:
        model.model_validate(data, strict=True)
    except ValidationError as error:
        fault = error.errors(include_url=False)[0]
        return f"{kind}: {'.'.join(map(str, fault['loc']))}: {fault['msg']}"
    return None
