"""The documentation as a site: `python -m docs.site` writes it, offline and without warnings.

`build` puts the source together and calls the generator; `figure_pages`, `cause_pages`,
`reference_pages` and `pictures` write what comes from the code; `markdown` is their common hand.
"""
