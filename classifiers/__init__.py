"""What an event is, from its measures: category, dip type, direction, cause, point on wave; imports no pipeline."""
