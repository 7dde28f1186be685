"""What a member should know without asking: in the page, and by mail where they wish.

Notices come from two places: the record of who did what (``deriving``), so that no service has to know of them, and
the clock (``watching``: a hold that lapses, a night that is near). ``packing`` puts those that are wanted by mail into
mails, by the member's choices (``choices``) and hours (``hours``); ``sending`` hands each mail over once. Mails go to
addresses that were confirmed by a mailed link (``addresses``). A worker does all of it every few seconds
(``services.look_after``).
"""
