"""The journal: what came, for people to look at, to correct and to hand on.

build      START HERE: the pages, made again where something changed
entries    a visit as the journal sees it: what the box said, what people said      pure
survey     one pass over all visits: days, visitors, what changed                   pure
counts     hours of watching, rates, first and last against the sun, most at once   pure
tally      how often the box was right, with its limits                             pure
charts, pages, phrases, feed     what stands on a page                              pure
render, pictures, files          templates, JPEGs and files                         edge
reading, database                the store (read only) and the journal's own notes  edge
page_source, effort, writing     what pages are made from, and their writing        edge
marks, marking                   a person's word, and what it means
camtrap, tables, package, export Camtrap DP and CSV
serve, forms                     a look on the local network, with marks            edge
commands                         what the command line calls
"""
