"""What sensors and mist lines are worth: faults, overrides, calibration, vapour that followed."""
