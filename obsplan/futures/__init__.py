"""Many possible futures of a plan: what is made and received when things go differently.

`execute` walks a timeline through all futures at once and is where to begin; `draws` says what is
drawn, `walk` holds the execution rule by the minute (compiled), `execution_rule` the same rule in
words, `tables` and `causes` what comes out. This is a third evaluation of the rules, on purpose:
with nothing uncertain it equals the replay, and tests hold it to that.
"""
