"""All words that people read: a catalogue a language, and messages said from it."""

from trialkit.wording.catalogue import (
    Sayable,
    Wording,
    confidence_decimals,
    languages,
    read_wording,
)
from trialkit.wording.message import Message, finding, message, speaking, spoken
from trialkit.wording.parts import Chance, Joined, Named, Number
from trialkit.wording.places import place, several
from trialkit.wording.suggestion import Either, suggestion
from trialkit.wording.units import Units, plural, units_in_words

__all__ = [
    "Chance",
    "Either",
    "Joined",
    "Message",
    "Named",
    "Number",
    "Sayable",
    "Units",
    "Wording",
    "confidence_decimals",
    "finding",
    "languages",
    "message",
    "place",
    "plural",
    "read_wording",
    "several",
    "speaking",
    "spoken",
    "suggestion",
    "units_in_words",
]
