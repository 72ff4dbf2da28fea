"""What every page is made of: `elements` (how text becomes safe), `format` (figures), `marks`, `svg` (what drawings
share), `course_plot` (a quantity over time), `form_button`, `reader` (what is one reader's own), `frame`, `plain` and `assets` (what is around them).
"""
