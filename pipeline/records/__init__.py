"""From capture files or the store to records: captures that follow one another, their points, a first look."""
