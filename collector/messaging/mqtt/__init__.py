"""A broker: `broker` (the connection), `publisher` (state and alarms), `generator_status` (the site's word on its
generators), `other_collectors` (that others are alive), `heard_answers` (what people answer by it), `single_values` (each figure by itself).
"""
