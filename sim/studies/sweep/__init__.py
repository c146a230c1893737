"""Many runs of one scenario: planned, kept, resumed, tabulated and reported.

`plan.make_plan` lays the runs out, `store.Store` keeps them, `execute.execute` does them,
`table.make_table` and `page.render` show them. Nothing is imported here, so that a worker process
can be set up before numpy starts its threads.
"""
