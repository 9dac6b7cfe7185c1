"""Studies of many photos: how far repeats scatter, and where somebody's own limits lie."""
