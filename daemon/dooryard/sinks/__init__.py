"""The ways out. `base` says what each promises; `webhook`, `email` and `memory` keep it.

event, signing    an alert as a signed event (pure)
post              one bounded HTTP request
letter            an alert as a mail (pure)
picture           a JPEG made to fit
"""
