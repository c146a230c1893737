"""The pages that are filed after a run or a study: figures against limits, pictures, causes."""
