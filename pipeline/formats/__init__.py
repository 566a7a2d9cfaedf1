"""Files in and out, a room for each sort: meshes in and out, the datum file, its tables, drawings, STEP."""
