"""Tables that people send: read in a limited process of their own, as texts, before anything else looks at them."""
