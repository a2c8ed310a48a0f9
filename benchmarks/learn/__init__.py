"""Learning formats nobody wrote down, measured on formats that never were."""
