"""Approved sheets as files, one module a format, only open ones; and lists of tags and old markers on their way in.

Every file says where its times count from: seconds from the first sample of the gapless-trimmed decode.
"""
