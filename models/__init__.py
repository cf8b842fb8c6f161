"""The two networks: the locator finds every letter of a page, the assessor examines each one.

Plain torch modules with their losses; how they are trained stands in `train`, how their outputs are
read without torch in `infer`; the exported weights and their card in `models/weights`.
"""
