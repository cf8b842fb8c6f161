"""Pages set in open typefaces: letters drawn by other people, of which class and place are known.

`README.md` here lists the typefaces that were chosen, their licences and how the folder is filled.
"""
