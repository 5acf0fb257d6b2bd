"""An invented room with coolers, a microphone and a bench, whose true levels are known."""
