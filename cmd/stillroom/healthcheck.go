package main

import (
	"context"
	"fmt"
	"net/http"
	"time"

	"github.com/spf13/cobra"
)

func (p *program) healthcheckCommand() *cobra.Command {
	var addr string
	cmd := &cobra.Command{
		Use: "healthcheck", Short: "Exit 0 if the server on this machine answers ready", Args: cobra.NoArgs,
		RunE: p.does(func(ctx context.Context, _ []string) error {
			if addr == "" {
				data, err := p.dataFolder()
				if err != nil {
					return err
				}
				addr = served(data).Local
			}
			return askReady(ctx, addr)
		}),
	}
	cmd.Flags().StringVar(&addr, "addr", "", "HOST:PORT to ask (else where the server of the data folder said it is, else "+defaultAddr+")")
	return cmd
}

// askReady asks the server itself, never through a proxy of the environment.
func askReady(ctx context.Context, addr string) error {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+addr+"/readyz", nil)
	if err != nil {
		return wrong("--addr: %q is not HOST:PORT", addr)
	}
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	res, err := client.Do(req)
	if err != nil {
		return &exit{unreachable, fmt.Errorf("nothing answers at %s: %w", addr, err)}
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		return &exit{unreachable, fmt.Errorf("the server at %s is not ready (%d)", addr, res.StatusCode)}
	}
	return nil
}
