"""Nothing: picamera2 only asks whether it is there."""
