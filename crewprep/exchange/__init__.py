"""Approved sheets as files, one module a format; only open ones.

Every file says where its times count from: seconds from the first sample of the gapless-trimmed decode.
"""
