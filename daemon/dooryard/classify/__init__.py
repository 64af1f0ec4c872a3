"""Who that is, or nobody.

crop         large picture and box -> what a network sees            pure
card         what a model's file must be, and how to feed it         pure
labels       what each class is and may be called                    pure
scores       a network's answer -> groups and species                pure
presence     features -> how far they lean towards somebody          pure
calibration  groups -> probabilities that hold                       pure
species      which species may be told here; regions: the lists      pure
memory       what this place looks like with nobody there            pure
usual        what such looks have in common                          pure
taught       the owner's own visitors                                pure
evidence     the looks of a visit together -> who came, or nobody    pure
base         what every classifier promises
runtime      the only place that loads onnxruntime, its telemetry off
network      a card's network: checked, loaded, run
onnx         the classifier; loads onnxruntime when it is built, not when it is imported
known        what can be told, without loading a model
fake         one that says what a script says
"""
