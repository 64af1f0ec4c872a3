"""The ways out. `base` says what each promises; `webhook`, `email`, `publish` and `memory` keep it.

event, body       an alert as an event, or in a form of the owner's own (pure)
template          text with placeholders, checked when it is read (pure)
signing           signatures (pure)
post              one bounded HTTP request
letter            an alert as a mail (pure)
picture           a JPEG made to fit
mirror, remote    the journal to a folder, and to a web host
"""
