"""The desk's page: application, pages, actions; the review's pages stand beside them."""
