"""Many photos: which they are, measured on all processors, in pairs of dry and soaked."""
