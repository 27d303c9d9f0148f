"""Words for on and off."""

from __future__ import annotations

ON = frozenset(
    {
        "on",
        "1",
        "1.0",
        "true",
        "yes",
        "start",
        "started",
        "open",
        "opened",
        "high",
        "running",
        "mist on",
        "ein",
        "an",
        "auf",
        "marche",
        "encendido",
        "aan",
    }
)
OFF = frozenset(
    {
        "off",
        "0",
        "0.0",
        "false",
        "no",
        "stop",
        "stopped",
        "closed",
        "close",
        "low",
        "idle",
        "mist off",
        "aus",
        "zu",
        "arret",
        "arrêt",
        "apagado",
        "uit",
    }
)


def is_state(text: str) -> bool:
    """Whether a cell says on or off.

    Examples
    --------
    >>> is_state(" ON "), is_state("maybe")
    (True, False)
    """
    return text.strip().casefold() in ON | OFF
