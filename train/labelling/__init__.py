"""Labels that cost a person nothing, and the choice of those that are worth asking a person for.

`self_labels` takes letters from the text, `choose` picks letters for review.
"""
