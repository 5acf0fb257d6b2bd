"""The root of every error that Evenhush raises on purpose, and the one about signals.

::

    EvenhushError           one sentence: what is wrong, where, what to do
      InputError            the caller gave something unusable
        SignalError         shape, rate, length, values of a signal

Each package adds its own branch in its own ``errors`` module. A *refused* measurement is not an
error but a result with reasons: exceptions mean "could not be done".
"""

__all__ = ["EvenhushError", "InputError", "SignalError"]


class EvenhushError(Exception):
    """Something could not be done; the text is one sentence for the user."""


class InputError(EvenhushError):
    """What the caller gave cannot be used."""


class SignalError(InputError, ValueError):
    """A signal has an unusable shape, rate, length or value."""
