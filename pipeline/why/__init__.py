"""How a row of a catalogue came about: made again from its source, and told step by step."""
