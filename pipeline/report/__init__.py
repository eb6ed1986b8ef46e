"""For people: summaries, drawings, and one page of HTML."""
