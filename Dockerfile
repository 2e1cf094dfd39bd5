# Stillroom as an image: the program, the certificates it may need to reach a database, and nothing else.
# docker compose up -d --build (compose.yaml) starts it with its PostgreSQL.
FROM golang:1.26.8-bookworm AS build
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY . .
# Static: scratch has no C library. Time zones are in the program.
RUN CGO_ENABLED=0 go build -trimpath -ldflags="-s -w" -o /out/stillroom ./cmd/stillroom

FROM scratch
COPY --from=build /etc/ssl/certs/ca-certificates.crt /etc/ssl/certs/ca-certificates.crt
COPY --from=build /out/stillroom /stillroom
# A number, so that "runs as nobody in particular" can be checked without a passwd file.
USER 65532:65532
# Holds a note of where the server is, no records: those are in PostgreSQL.
ENV STILLROOM_DATA=/data
EXPOSE 7420
HEALTHCHECK --interval=10s --timeout=6s --start-period=30s --retries=3 CMD ["/stillroom", "healthcheck", "--addr", "127.0.0.1:7420"]
ENTRYPOINT ["/stillroom"]
CMD ["serve", "--addr", "0.0.0.0:7420"]
