// Package mail hands e-mails to one SMTP server that the house was set up with, one by one.
package mail

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"mime"
	"mime/quotedprintable"
	"net"
	netmail "net/mail"
	"net/smtp"
	"net/url"
	"strings"
	"time"
)

// patience is how long one e-mail may take, from the first word to the last.
const patience = 30 * time.Second

// Server is where e-mails are handed over, and whose they are.
type Server struct {
	From     string // address, perhaps with a name before it
	host     string
	addr     string
	user     string
	password string
	wrapped  bool // TLS from the first byte (smtps), else by STARTTLS
	// TLS is what a certificate is held to; nil is the machine's own authorities.
	TLS *tls.Config
}

// Parse reads smtp://USER@HOST:PORT (TLS by STARTTLS, which only a server on this machine may lack) or smtps://… (TLS
// from the first byte), the address that e-mails come from, and the user's password.
func Parse(address, password, from string) (*Server, error) {
	u, err := url.Parse(address)
	if err != nil || u.Scheme != "smtp" && u.Scheme != "smtps" || u.Hostname() == "" || strings.Trim(u.Path, "/") != "" {
		return nil, errors.New("an SMTP server is written smtp://USER@HOST:PORT or smtps://USER@HOST:PORT")
	}
	if a, err := netmail.ParseAddress(from); err != nil || strings.ContainsAny(from, "\r\n") || a.Address == "" {
		return nil, fmt.Errorf("%q is no address that e-mails can come from", from)
	}
	s := &Server{From: from, host: u.Hostname(), wrapped: u.Scheme == "smtps", user: u.User.Username(), password: password}
	if inside, set := u.User.Password(); set && password == "" {
		s.password = inside
	}
	port := u.Port()
	switch {
	case port != "":
	case s.wrapped:
		port = "465"
	default:
		port = "587"
	}
	s.addr = net.JoinHostPort(s.host, port)
	return s, nil
}

// Place is the server's name, for people.
func (s *Server) Place() string { return s.addr }

// Message is one e-mail in plain text.
type Message struct {
	To, Subject, Body string
	ID                string // Message-ID without its brackets
	At                time.Time
}

// Bytes writes the message with its headers.
func (s *Server) Bytes(m Message) ([]byte, error) {
	to, err := netmail.ParseAddress(m.To)
	if err != nil {
		return nil, fmt.Errorf("mail: %q is no e-mail address", m.To)
	}
	from, err := netmail.ParseAddress(s.From)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	subject := mime.QEncoding.Encode("utf-8", strings.NewReplacer("\r", " ", "\n", " ").Replace(m.Subject))
	fmt.Fprintf(&b, "From: %s\r\nTo: %s\r\nSubject: %s\r\nDate: %s\r\nMessage-ID: <%s>\r\nMIME-Version: 1.0\r\nContent-Type: text/plain; charset=utf-8\r\nContent-Transfer-Encoding: quoted-printable\r\n\r\n",
		from, to, subject, m.At.Format(time.RFC1123Z), m.ID)
	body := quotedprintable.NewWriter(&b)
	if _, err := body.Write([]byte(strings.ReplaceAll(m.Body, "\r\n", "\n"))); err != nil {
		return nil, err
	}
	if err := body.Close(); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// Send hands one message over. No error is that the server has taken it, which is all that can be known here.
func (s *Server) Send(ctx context.Context, m Message) error {
	text, err := s.Bytes(m)
	if err != nil {
		return err
	}
	to, err := netmail.ParseAddress(m.To)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	conn, err := (&net.Dialer{}).DialContext(ctx, "tcp", s.addr)
	if err != nil {
		return err
	}
	if until, set := ctx.Deadline(); set {
		if err := conn.SetDeadline(until); err != nil {
			return errors.Join(err, conn.Close())
		}
	}
	if s.wrapped {
		conn = tls.Client(conn, s.config())
	}
	c, err := smtp.NewClient(conn, s.host)
	if err != nil {
		return errors.Join(err, conn.Close())
	}
	defer c.Close()
	if err := s.greet(c); err != nil {
		return err
	}
	from, err := netmail.ParseAddress(s.From)
	if err != nil {
		return err
	}
	if err := c.Mail(from.Address); err != nil {
		return err
	}
	if err := c.Rcpt(to.Address); err != nil {
		return err
	}
	w, err := c.Data()
	if err != nil {
		return err
	}
	if _, err := w.Write(text); err != nil {
		return err
	}
	if err := w.Close(); err != nil {
		return err
	}
	_ = c.Quit() // it has the message already
	return nil
}

// greet makes the line safe and says who we are.
func (s *Server) greet(c *smtp.Client) error {
	if can, _ := c.Extension("STARTTLS"); can && !s.wrapped {
		if err := c.StartTLS(s.config()); err != nil {
			return err
		}
	} else if !s.wrapped && !here(s.host) {
		return errors.New("the server offers no TLS: nothing was sent")
	}
	if s.user == "" {
		return nil
	}
	return c.Auth(smtp.PlainAuth("", s.user, s.password, s.host))
}

func (s *Server) config() *tls.Config {
	c := s.TLS.Clone()
	if c == nil {
		c = &tls.Config{MinVersion: tls.VersionTLS12}
	}
	c.ServerName = s.host
	return c
}

// here tells whether a host is this machine.
func here(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}
