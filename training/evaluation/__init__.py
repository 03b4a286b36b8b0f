"""The evaluation of a release: test photos as cases, generalisation, reference, and the figures that README quotes."""
