"""Who that is, or nobody.

crop    large picture and box -> what a network sees          pure
card    what a model's file must be, and how to feed it       pure
labels  what each class is and may be called                  pure
scores  a network's answer -> groups and species              pure
base    what every classifier promises
onnx    the real one; loads onnxruntime when it is built, not when it is imported
fake    one that says what a script says
"""
