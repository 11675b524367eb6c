"""Tables that people send: upload, match the columns, look at what would come of it, import it as a whole, undo it.

A kind of things (`kinds.Kind`) says which fields there are and how checked rows become things; kinds of apps to the
right are named in `settings.IMPORT_KINDS`. Everything else is the same for all of them.
"""
