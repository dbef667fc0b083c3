module leadsman

go 1.26
