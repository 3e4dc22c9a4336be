"""From a sample as sent to a reading that can be judged: scale, calibration, uncertainty, quality, settling."""
