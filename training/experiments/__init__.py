"""What was tried on the way to the release; nobody needs it to train, fit or evaluate.

Each table in ``models`` that the cards quote from here is repeated by ``python -m training trials``,
``soups``, ``second-look`` or ``ablations``.
"""
