package complaint_test

import (
	"testing"

	"example.org/stillroom/internal/chrome"
)

func TestMain(m *testing.M) { chrome.Main(m) }
