"""Three-phase circuits solved in time: waveforms whose cause, place and direction are known because they were built."""
