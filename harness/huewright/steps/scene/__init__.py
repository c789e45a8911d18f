"""Several cameras brought to the same targets, from one scene file: what is due is done, what is there stays.

serving  which take serves which shot      records  what a step was made from, and what it wrote
work     what each step does                job      the whole scene
page     what the scene's page shows
"""
