"""Checks against sources outside the project: each names its source, or says that it is common practice or from memory.

============================== ===========================================================================================
module                         what it holds ours against
============================== ===========================================================================================
test_published_networks        networks and tables of textbooks and papers, by our own sweep
test_information_gain          published gains; the mutual information of the chest clinic; best sets of checks
test_repairs                   worked orders of repair and the worth of an observation
test_explanations              weights of evidence, conflict, sensitivity, ranges, sets
test_learning, test_scores     counts and EM; log loss, Brier, calibration, prequential scores
test_general_engines           pgmpy and pyAgrum on random networks and on parts of ours
test_packaged_networks         parts of the open networks that come inside pgmpy (their speed: ``tests.benchmark packaged``)
test_trade_tables              battery, fuse, copper, speaker, bus and noise tables, by the readings
test_checks_of_the_network     the same tables by the shipped checks; noise questions; plugs, pins and lead colours
test_contrasts                 look-alikes: the same reports, the decisive check turned round, another cause
test_common_practice,          what fitters hold to be so
test_masters_reading
test_slips                     slips of the pen, by rapidfuzz
test_field_cases               real cases told by others (``python -m tests.outside.field_cases`` prints them)
============================== ===========================================================================================
"""
