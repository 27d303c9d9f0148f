"""All words that people read: a catalogue a language, and messages said from it."""

from trialkit.wording.catalogue import Sayable, Wording, languages, read_wording
from trialkit.wording.message import Message, finding, message, speaking, spoken

__all__ = [
    "Message",
    "Sayable",
    "Wording",
    "finding",
    "languages",
    "message",
    "read_wording",
    "speaking",
    "spoken",
]
