package db_test

import (
	"os"
	"testing"

	"kerfgate/db/dbtest"
)

func TestMain(m *testing.M) { os.Exit(dbtest.Main(m)) }
