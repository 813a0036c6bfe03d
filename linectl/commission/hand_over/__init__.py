"""What a commissioned line is handed over with: records, proofs, what stands open, digests.

Gathered from the site's folder and from the controller, if one runs; it commands nothing.
"""
