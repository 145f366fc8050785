"""The ground floor: pure functions on tables. Opens nothing, knows no time, keeps no state."""
