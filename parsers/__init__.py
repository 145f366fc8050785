"""The bytes of one dump to readings and faults. Pure: no path, no clock, no network."""
