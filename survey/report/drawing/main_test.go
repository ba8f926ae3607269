package drawing

import (
	"os"
	"testing"

	"pinchrod/survey/report/sameseed"
)

func TestMain(m *testing.M) { os.Exit(sameseed.Main(m)) }
