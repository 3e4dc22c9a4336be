"""The record: rows, hash-chained blocks and the seal, in one SQLite file a visit. Bytes only, bodies are never read.

`row` and `block` are pure; `file` and `reader` own a database; `writer` owns the thread that writes;
`verify` says what is wrong with a file; `station_journal` and `visit_files` know folders and names.
"""
