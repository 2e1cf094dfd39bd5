package mail_test

import (
	"bufio"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"mime/quotedprintable"
	"net"
	"net/http"
	"net/http/httptest"
	netmail "net/mail"
	"strings"
	"testing"
	"time"

	"example.org/stillroom/internal/mail"
)

// post is an SMTP server for one connection (RFC 5321, what of it a client needs): it answers what was handed over.
func post(t *testing.T, safe *tls.Config, refuse string) (addr string, got chan string) {
	t.Helper()
	l, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	got = make(chan string, 1)
	go func() {
		c, err := l.Accept()
		if err != nil {
			return
		}
		defer func() { _ = c.Close() }()
		in := bufio.NewReader(c)
		say := func(line string) { fmt.Fprint(c, line+"\r\n") }
		say("220 post.example.org")
		var heard strings.Builder
		for {
			line, err := in.ReadString('\n')
			if err != nil {
				return
			}
			switch strings.ToUpper(strings.Fields(line + " x")[0]) {
			case "EHLO":
				if _, wrapped := c.(*tls.Conn); safe != nil && !wrapped {
					say("250-post.example.org")
					say("250 STARTTLS")
				} else {
					say("250-post.example.org")
					say("250 AUTH PLAIN")
				}
			case "STARTTLS":
				say("220 go on")
				c = tls.Server(c, safe)
				in = bufio.NewReader(c)
				heard.WriteString("TLS\n")
			case "RCPT":
				heard.WriteString(line)
				if refuse != "" {
					say(refuse)
				} else {
					say("250 ok")
				}
			case "DATA":
				say("354 go on")
				for {
					line, err := in.ReadString('\n')
					if err != nil || line == ".\r\n" {
						break
					}
					heard.WriteString(line)
				}
				say("250 taken")
				got <- heard.String()
			case "QUIT":
				say("221 bye")
				return
			default:
				heard.WriteString(line)
				say("250 ok")
			}
		}
	}()
	return l.Addr().String(), got
}

func TestAMessageIsHandedOver(t *testing.T) {
	t.Parallel()
	web := httptest.NewTLSServer(http.NotFoundHandler())
	t.Cleanup(web.Close)
	roots := x509.NewCertPool()
	roots.AddCert(web.Certificate())
	message := mail.Message{To: "alder@example.org", Subject: "Product safety recall: Häuser\r\nBcc: x@example.org", Body: "Stop.\n.\nZurück bitte, " + strings.Repeat("sehr ", 30), ID: "1@quillmoor.example.org", At: time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)}
	for name, safe := range map[string]*tls.Config{"plain on this machine": nil, "STARTTLS": {Certificates: web.TLS.Certificates, MinVersion: tls.VersionTLS12}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			addr, got := post(t, safe, "")
			s, err := mail.Parse("smtp://"+addr, "", "Quillmoor Workshop <post@quillmoor.example.org>")
			if err != nil {
				t.Fatal(err)
			}
			s.TLS = &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12}
			if err := s.Send(t.Context(), message); err != nil {
				t.Fatal(err)
			}
			heard := <-got
			if strings.Contains(heard, "TLS\n") != (safe != nil) || !strings.Contains(heard, "RCPT TO:<alder@example.org>") || !strings.Contains(heard, "FROM:<post@quillmoor.example.org>") {
				t.Errorf("heard %s", heard)
			}
			m, err := netmail.ReadMessage(strings.NewReader(heard[strings.Index(heard, "From: "):]))
			if err != nil {
				t.Fatal(err)
			}
			body, err := io.ReadAll(quotedprintable.NewReader(m.Body))
			// The server here does not take the second dot away that the client put before a line of one dot (RFC 5321, 4.5.2).
			want := strings.TrimSpace(strings.Replace(message.Body, "\n.\n", "\n..\n", 1))
			if err != nil || strings.TrimSpace(strings.ReplaceAll(string(body), "\r\n", "\n")) != want || m.Header.Get("Bcc") != "" || m.Header.Get("Message-Id") != "<1@quillmoor.example.org>" {
				t.Errorf("%v, %q, %v", err, body, m.Header)
			}
		})
	}
}

func TestWhatWasNotTakenIsSaid(t *testing.T) {
	t.Parallel()
	addr, _ := post(t, nil, "550 no such shop")
	s, err := mail.Parse("smtp://"+addr, "", "post@quillmoor.example.org")
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Send(t.Context(), mail.Message{To: "alder@example.org", ID: "1@x"}); err == nil || !strings.Contains(err.Error(), "no such shop") {
		t.Errorf("refused: %v", err)
	}
	for _, bad := range [][2]string{{"http://post.example.org", "a@example.org"}, {"smtp://", "a@example.org"}, {"smtp://post.example.org/x", "a@example.org"}, {"smtp://post.example.org", "nobody"}, {"smtp://post.example.org", "a@example.org\r\nBcc: b@example.org"}} {
		if _, err := mail.Parse(bad[0], "", bad[1]); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}
