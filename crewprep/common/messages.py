"""The sentences behind the codes: one table, so that the same refusal reads the same on a page and in the API.

Sentences about audio come from ``analysis_worker.core.errors``, where the command line shares them.
"""

from __future__ import annotations

from typing import Any

from analysis_worker.core.errors import MESSAGES as AUDIO_MESSAGES

MESSAGES: dict[str, str] = {
    "not-found": "There is nothing here, or it is not yours to see. Go back to your crew's home page.",
    "invalid": "Some of what was sent cannot be used: {detail}",
    "malformed": "The request could not be read: {detail}",
    "not-signed-in": "Sign in first, or send a valid token in the Authorization header.",
    "not-allowed": "You may not do this. Ask one of your leads.",
    "csrf": "The form was open for too long or came from elsewhere. Go back, reload the page and send it again.",
    "method": "This address does not answer {method}.",
    "request:too-large": "The request is larger than {limit}. Send less at a time.",
    "request:media-type": "This address does not take {media_type}. Send {accepted}.",
    "request:not-acceptable": "This address cannot answer in the form that was asked for. It answers with {available}.",
    "request:revision-missing": 'Say which revision you looked at, in a header such as If-Match: "1".',
    "sign-in:failed": "The name or the password is wrong. Check both and try again.",
    "sign-in:locked": "Too many wrong passwords for this name from your address. Wait a quarter of an hour and try again.",
    "token:unknown": "The token is not known here, or it has expired. Ask for a new one with your name and password.",
    "token:too-many": "You hold {limit} tokens already, the most there may be. Delete one, or wait until one expires.",
    "token:none": "The request carries no token, so there is none to delete. Sign out on the page instead.",
    "token:days": "A token works for 1 to {most} days. Choose a number of days between them.",
    "token:read-only": "This token may read and change nothing. Make one that may write on your account's page.",
    "token:one-crew": "This token opens one crew alone. Use one for all your crews, or the page of your account.",
    "service:busy": "The service is busy at the moment. Try again in a few seconds.",
    "service:broken": "Something broke on our side, and it has been noted. Try again; if it stays, tell whoever runs this.",
    "draft:none": "There is no draft of this track under that convention yet. Wait for the worker, then ask again.",
    "proposal:other-revision": (
        "The markers changed while you looked at them: this is revision {revision} now. Look again before you go on."
    ),
    "throttled": "Too many requests. Wait {seconds} seconds and try again.",
    "crew:lead-only": "Only a lead of the crew may do this. Ask one of your leads.",
    "crew:resident-only": "Only leads and residents may do this. A lead can sign you off once you know the convention.",
    "crew:last-lead": "{crew} would be left without a lead. Hand the lead over to another member first.",
    "crew:hand-over-to-oneself": "You lead the crew already. Choose another member to hand the lead over to.",
    "member:already": "They are in this crew already. A lead can change their role on the crew's page.",
    "member:moved-on": "The membership changed while you looked at it. The page shows how it stands now; look again.",
    "invitation:none": (
        "This link does not work (any more): a link works once, for seven days, until a lead withdraws it. "
        "Ask a lead of your crew for a new one."
    ),
    "start:not-told": "This step shows by itself once it is done. Say so only of what you have read or heard.",
    "invitation:settled": "This invitation has been used or withdrawn already, so there is nothing left to withdraw.",
    "account:closed": "This account is closed already, so there is nothing left to close.",
    "account:name-taken": "Somebody else signs in by this name. Choose another one.",
    "address:confirmed": "This address is confirmed already, so no mail with a link is needed.",
    "address:none": "There is no address to send a link to. Write one and save it first.",
    "address:too-soon": (
        "No further mail with a link can be sent yet. Look among the unwanted mails as well, or ask again in {wait}."
    ),
    "address:link-wrong": (
        "This link is not complete, or it was changed. Open it from the mail once more, or ask for a new mail on your "
        "account's page."
    ),
    "address:link-over": "This link worked for three days, which are over. Ask for a new mail on your account's page.",
    "address:link-used": "This link has been used. Your account's page says where your mails go.",
    "address:link-overtaken": (
        "Another address was written or the old one was taken out since this link was mailed, so it does nothing any more. "
        "Your account's page says where your mails go."
    ),
    "forgotten:link-wrong": (
        "This link is not complete, or it was changed. Open it from the mail once more, or ask for a new one."
    ),
    "forgotten:link-over": "This link worked for an hour, which is over. Ask for a new one.",
    "forgotten:link-used": "This link has set a password already. Sign in with that one, or ask for a new link.",
    "forgotten:link-overtaken": (
        "The password or the address was changed since this link was mailed, so it does nothing any more. Sign in with the "
        "newer password, or ask for a new link."
    ),
    "account:password": "The password cannot be used: {detail}",
    "account:password-wrong": "That is not your password, so the account stays as it is. Type it again.",
    "progress:lead-only": "Only they and the leads see how a member does in drills. Look at your own progress instead.",
    "bar:drills": "Ask for 1 to {most} drills.",
    "bar:share": "Write a share from 0 to 100 per cent.",
    "bar:out-of-reach": (
        "Even with every slot right, {drills} drills show no more than {most} % for certain. Ask for more drills, or for "
        "a smaller share."
    ),
    "sign-off:oneself": "Nobody signs themself off. Another lead can do it.",
    "sign-off:no-newcomer": "{name} is no newcomer any more, so there is nothing to sign off. The page shows how it stands.",
    "sign-off:moved-on": "{name} has handed in another drill since. Look at the new figures, then decide.",
    "sign-off:note-missing": "{reasons} Write a note that says why you sign off all the same, or ask for more.",
    "sign-off:more-note-missing": "Say in a few words what to practise, then ask for more.",
    "sign-off:asked-already": "{by} asked for more after these drills already. Wait for the next drill, or sign off.",
    "convention:invalid": "The convention cannot be used: {detail}",
    "convention:draft-none": "There is no draft of a convention. Begin one from the convention page.",
    "convention:draft-moved-on": (
        "{by} saved or published this draft while you looked at it. Open it as it is now, then go on."
    ),
    "convention:other-revision": (
        "The draft changed while you looked at it: this is revision {revision} now. Look again before you go on."
    ),
    "convention:newer": (
        "“{name}” was published after this draft was begun. Compare the draft with it, then publish or begin anew."
    ),
    "convention:unchanged": "The draft asks for what “{name}” says already. Change a slot before you publish.",
    "convention:file": "The file cannot be used as a convention. {detail}",
    "recheck:closed": "This re-check was closed already. The page shows how it stands; look again.",
    "recheck:note-missing": "Say in a few words why the sheet is still right, then close the re-check.",
    "crate:moved-already": (
        "Somebody moved this crate to another version while you looked at it. Look at the preview again."
    ),
    "crate:same-version": "The crate follows “{name}” already. Choose another version.",
    "convention:name-taken": "Your crew already has a convention named “{name}”. Choose another name.",
    "convention:none": "Your crew has no convention yet. A lead publishes one first.",
    "crate:name-taken": "Your crew already has a crate named “{name}”. Choose another name.",
    "crate:name-missing": "A crate needs a name, such as the night it is for.",
    "crate:night-moved-on": "Somebody set the night of this crate while you looked at it. Look again before you change it.",
    "night:name-missing": "A night needs a name, such as the place or the party.",
    "night:taken": "Your crew already has “{name}” on that date. Choose another name, or open that night.",
    "night:zone-unknown": "There is no time zone “{zone}”. Choose one from the list, such as Europe/Lisbon.",
    "night:no-such-time": "The clocks in {zone} skip {time} on that day. Choose an earlier or a later time.",
    "night:deadline-late": "Tracks must be ready before the night begins. Choose a deadline before {begins}.",
    "night:moved-on": "Somebody changed this night while you looked at it. The page shows it as it is now; look again.",
    "feed:none": "You have no calendar address, so there is none to withdraw. Make one first.",
    "upload:name-missing": "The upload carries no file. Choose one or more audio files.",
    "upload:wrong-extension": (
        "“{name}” holds {format} audio, which does not match its ending. Rename it to the right ending and upload it again."
    ),
    "track:same-audio": "The crew has this very audio already, under another name or in another file. Go on with that track.",
    "track:tags-moved-on": "Somebody wrote other tags while you looked. The page shows them as they are now; look again.",
    "track:title-missing": "A track needs a title. Write one.",
    "track:tags-not-yours": "Only leads, residents and whoever brought a track in may write its tags. Ask one of them.",
    "copy:known": "This very file is a copy of the track already. Choose it in the list of copies, or send another.",
    "copy:other-track": "Your crew has this file already, as “{title}”. Go on with that track, or send another copy.",
    "copy:under-way": "Another copy is being compared with the track. Wait for the worker, then send yours.",
    "copy:not-compared": "This copy has not been laid on the track's timeline, so it cannot take the reference copy's place.",
    "list:file-missing": "The upload carries no list. Choose a CSV file.",
    "list:too-large": "The list is larger than {most}. Split it and bring the parts in one after another.",
    "list:not-text": "The file is not a table of text. Export it as CSV in UTF-8, then bring it in.",
    "list:empty": "The list has no lines below its first one, which names the columns. Export it anew.",
    "list:too-wide": "The list has more than {most} columns. Leave out those that you do not need.",
    "list:too-long": "The list has more than {most} lines. Split it and bring the parts in one after another.",
    "list:long-cell": "A cell in line {line} is longer than {most} letters. Shorten it, then bring the list in again.",
    "list:malformed": "Line {line} cannot be read: a quotation mark is not closed or stands in the wrong place. Mend it first.",
    "list:unknown-role": "The columns were not understood. Choose from the lists on the page.",
    "list:role-twice": "Two columns are both “{role}”. Leave one of them out.",
    "list:no-name": "No column tells which track a line is of. Choose one for the file name or the title.",
    "list:half-marker": "A line for each marker needs both a slot number and a start. Choose a column for the other one too.",
    "list:shift": "Times can be moved by at most {most} milliseconds.",
    "list:settled": "This list is applied or discarded already. Bring it in again to go on with it.",
    "list:changed": "Something changed since you looked at the list: nothing was applied. Look at it again, then apply it.",
    "list:wrong-lines": "{count} of the lines cannot be used. Mend them, or say that they may be left out.",
    "list:nothing": "The list would change nothing. Choose other columns, or discard it.",
    "list:not-yours": "Only {by}, who brought this list in, may change or apply it.",
    "storage:full": "The service has no room left for files. Ask whoever runs it to free some, then upload again.",
    "job:not-dead": "This job has not been given up, so there is nothing to retry. Reload to see where it stands.",
    "job:gave-up": "The work stopped {attempts} times without an answer. Press retry; if it stops again, export the file anew.",
    "grid:moved-on": (
        "Somebody corrected this grid while you looked at it. The page shows it as it is now; look again before you go on."
    ),
    "grid:proposal": (
        "{by} has proposed markers on this grid, and reviewers see them on it. Have the proposal reviewed or withdrawn first."
    ),
    "grid:unusable": "The grid was left as it was. {detail}",
    "analysis:none": "The track has not been analysed yet. Wait for the worker, then open it again.",
    "audio:range": "The requested part of the audio does not exist.",
    "audio:none": "The listening copy of this track is not there yet. Wait for the worker, then open the track again.",
    "sheet:newer": (
        "Another sheet of this track was approved while you worked. Your markers are kept here: "
        "compare them with it, then propose again."
    ),
    "marker:unreadable": (
        "Slot {slot}: “{text}” is not a time. Write minutes and seconds such as 3:00.5, or an address such as 13.1.1."
    ),
    "sheet:none": "The track has no approved sheet yet. Propose its markers and have them reviewed first.",
    "sheet:none-yet": "The track had no approved sheet at that time. Ask for a later one, or list its versions.",
    "claim:held": "{by} holds this track until {until}. Take it over with a note, or wait until it is free.",
    "claim:moved-on": "Somebody else holds this track by now, or nobody does. The page shows how it stands; look again.",
    "claim:note-missing": "Write a word to whoever holds the track, then take it over.",
    "search:name-missing": "Give the search a name, such as “still to prepare”.",
    "search:name-taken": "You have kept a search named “{name}” already. Choose another name, or delete that one first.",
    "search:too-long": "The search is too long to be kept. Choose less, then keep it.",
    "search:too-many": "You keep {limit} searches already, the most there may be. Delete one, then keep this.",
    "search:cursor": "The list cannot go on from there. Begin it anew without a cursor, in the order that is asked for.",
    "search:not-yours": "Only whoever kept a search, or a lead, may delete it. Ask one of them.",
    "bulk:none": "No track is chosen. Tick at least one, then say what to do with it.",
    "bulk:too-many": "At most {limit} tracks can be changed at once. Narrow the search, then go on with the rest.",
    "bulk:crate-missing": "It does not say which crate. Choose one of the crew's crates.",
    "bulk:member-missing": "It does not say who should have the tracks. Choose a member of the crew.",
    "bulk:undone": "This was taken back already. The list shows how the tracks stand now.",
    "bulk:too-late": "It can be taken back for {minutes} minutes, which are over. Change the tracks again by hand.",
    "webhook:address": "This address cannot be told anything. {detail}",
    "webhook:there-already": "This address is told already. Look at it in the list, or give another one.",
    "webhook:too-many": "Your crew has {limit} webhooks, the most there may be. Remove one first.",
    "webhook:gone": "The webhook was removed meanwhile. Go back to the list.",
    "webhook:off": "The webhook is switched off. Switch it on, then send again.",
    "webhook:under-way": "This message is on its way already. Reload the page to see what became of it.",
    "notice:unknown-kind": "There is no notice “{kind}” that comes “{way}”. Choose from the lists on the page.",
    "notice:unknown-zone": "There is no time zone “{zone}”. Choose one from the list, such as Europe/Lisbon.",
    "notice:quiet-hours": "Quiet hours need a start and another end. Fill in both, or leave both empty for none.",
    "notice:digest-hour": "The hour of the daily mail is a whole number from 0 to 23. Choose one.",
    "split:moved-on": "Another lead split this crate while you looked at it. Look at how it stands now, then apply yours again or leave it.",
    "split:other-revision": "The split changed while you looked at it: this is revision {revision} now. Look again before you go on.",
    "split:done": "A track of this split has its sheet by now, or has left the crate. Look again and apply what is left.",
    "split:settled": "{by} {how}: “{track}”. Leave it with them, or take it over on its page first.",
    "split:own": "{by} prepares “{track}” or had a hand in its markers, so another member must review it.",
    "split:not-yet": "{by} does not review yet. Choose a lead or a resident to review “{track}”.",
    "split:stranger": "Whoever was chosen for “{track}” is not in the crew any more. Choose another member.",
    "split:twice": "A track stands in the split twice. Name each once.",
    "split:free": "Free minutes are whole numbers from 0 to {most}. Mend “{text}”.",
    "split:nobody": "Nobody has free minutes. Write how many each member can give, then look at the split.",
    "check:unknown": "There is no house check “{check}” of severity “{severity}”. Choose from the lists on the page.",
    "proposal:blocked": (
        "A house check stops this sheet. Slot {slot}: {finding} Put it right, or write why it may stay as it is."
    ),
    "double:name-missing": "A double marking needs a name, such as the month or what is asked. Write one.",
    "double:name-taken": "Your crew already has a double marking named “{name}”. Choose another name.",
    "double:members": "A double marking needs {least} to {most} members, so that there is something to compare. Tick them.",
    "double:not-a-reviewer": "{name} does not review yet. Choose residents and leads, who know the convention.",
    "double:tracks": "A double marking needs 1 to {most} tracks. Tick some, or write how many to draw.",
    "double:too-few-tracks": (
        "Only {found} analysed tracks are unknown to all of these members. Draw fewer, or choose other members."
    ),
    "double:track-known": (
        "One of these members has worked on “{title}”, or it is not analysed. Choose tracks that are new to all of them."
    ),
    "double:not-yet": "Others' markers are shown once you have handed in all of yours, or a lead has closed the marking.",
    "double:handed-in": "You have handed in this track already, so its markers stay as they are. Go on with the next one.",
    "double:other-revision": "Your sheet changed meanwhile: this is revision {revision} now. Read it again, then go on.",
    "double:unseen-first": (
        "You are to mark this track without seeing anybody's markers. Hand it in under Double markings first."
    ),
    "double:closed": "This double marking is closed, so nothing in it changes any more. Its page shows the report.",
    "kept:other-window": (
        "You changed this track in another window too. Nothing is lost: choose which markers to go on with."
    ),
    "proposal:pending": "{by} already has a proposal for this track. Open it and change it there, or wait for its verdict.",
    "proposal:moved-on": "The proposal changed or was decided while you looked at it. Reload to see where it stands.",
    "proposal:stale-base": (
        "The track has a newer approved sheet than the one this proposal started from. Merge the two on the proposal's page."
    ),
    "proposal:not-stale": "The proposal starts from the track's latest sheet already. Reload to see where it stands.",
    "proposal:sheet-moved-on": "Another sheet was approved while you compared them. Look at the comparison again.",
    "proposal:merge-choice": "Both sides changed slot {slot}. Choose which marker it keeps.",
    "proposal:other-content": (
        "What you saw is not what would be approved now. Look at the proposal again before you approve it."
    ),
    "proposal:first-missing": "Two members must approve in your crew, and nobody has yet. Reload and give the first approval.",
    "proposal:approved-by-you": "You approved it already; the second approval is another member's.",
    "proposal:reopen-not-yours": "Only its authors may open a withdrawn proposal again. Propose a sheet of your own instead.",
    "remark:empty": "Write a word first, then send it.",
    "remark:too-long": "A remark holds {longest} characters, and yours has {length}. Shorten it, or say the rest in a reply.",
    "remark:said-already": "You wrote just that on this slot already, and it is open. Reply to it to say more.",
    "remark:moved-on": "Somebody else settled this remark or opened it again. Reload to see where it stands.",
    "remark:not-yours": "Only whoever wrote the remark, the proposal's authors and the leads may settle it. Reply to it instead.",
    "review:ask-not-yours": "Only its authors, reviewers and leads may say who is asked to review. Ask one of them.",
    "review:ask-cannot": "{name} may not review this proposal. Ask somebody else.",
    "review:confidence": "Write a confidence from 0 to 100 per cent, or leave it empty for no bulk approval.",
    "review:bulk-off": "Bulk approval is switched off in your crew. A lead sets a confidence from which it is allowed.",
    "review:not-in-bulk": "This proposal cannot be approved in bulk: {reason} Open it and review it by itself.",
    "proposal:wrong-state": "A proposal that is {state} cannot be {move}. Reload to see where it stands.",
    "proposal:own": "You had a hand in these markers, so another member must review them.",
    "proposal:not-yours": "Only its authors or a lead may withdraw a proposal.",
    "proposal:remarks-missing": "Say what should change: write a remark on a marker or a note.",
    "proposal:approve-with-remarks": (
        "An approval takes no remarks along. Return the proposal with them, send each without a verdict, or clear the "
        "remarks and approve."
    ),
    "proposal:empty": "A proposal needs at least one marker.",
    "drill:none-left": (
        "There is no approved track left whose markers you have neither set nor seen. Practise on when the crew has approved more."
    ),
    "drill:other-window": (
        "You worked on this drill in another window too. Nothing is lost: choose which markers to go on with."
    ),
    "drill:other-revision": (
        "The drill changed while you looked at it: this is revision {revision} now. Look again before you go on."
    ),
    "drill:handed-in": "This drill is handed in, so its markers stay as they are. Look at how it went, or begin another.",
    "drill:empty": "Mark at least one slot, then hand the drill in.",
    "drill:seen": (
        "You have looked at this track's markers since you began, so the drill would prove nothing. Drop it and begin another."
    ),
    "drill:not-yours": "This drill is another member's, and only they and the leads may see it. Begin one of your own.",
    "marker:unknown-slot": "Slot {slot} is not in the convention, which has slots {slots}.",
    "marker:slot-twice": "Slot {slot} is marked twice; a slot holds one marker.",
    "marker:outside": "Slot {slot} lies outside the audio, which is {duration_s} seconds long.",
    "marker:point-with-end": "Slot {slot} is a point and has no end.",
    "marker:loop-without-end": "Slot {slot} is a loop and needs an end after its start.",
    "marker:not-a-number": "Slot {slot}: times are whole microseconds.",
}


def sentence_for(code: str, **values: Any) -> str:
    """The sentence for a code; raises ``KeyError`` for a code that has none."""
    sentence = MESSAGES.get(code) or AUDIO_MESSAGES[code]
    return sentence.format(**values) if values else sentence
