"""Letters judged against the hand that wrote them: what is its habit is one statement.

`judge` decides from counts what a hand does as a rule, and which doubts do not stand out from the
hand's own letters, `statements` puts a habit into words, `apply` changes a page's record,
`widespread` states what is seen all over a page, `marks` what stands beside its text, and `unlike`
decides which findings by a hand not covered by the promise are doubts.
"""
