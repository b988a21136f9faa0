package client

import (
	"context"
	_ "embed"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// serviceConfig repeats a call that the service did not take (UNAVAILABLE).
// Writes may be repeated because each carries a request id.
//
//go:embed service_config.json
var serviceConfig string

// Client talks to one service. It is safe for concurrent use.
type Client struct {
	Planner  vw.PlannerServiceClient
	Diary    vw.DiaryServiceClient
	Chair    vw.ChairServiceClient
	FollowUp vw.FollowUpServiceClient
	Identity vw.IdentityServiceClient

	conn *grpc.ClientConn
}

// Connect prepares a client for a service at host:port. It opens no connection
// before the first call.
func Connect(target string, o Options) (*Client, error) {
	conn, err := connect(target, o)
	if err != nil {
		return nil, err
	}
	return &Client{Planner: vw.NewPlannerServiceClient(conn), Diary: vw.NewDiaryServiceClient(conn), Chair: vw.NewChairServiceClient(conn), FollowUp: vw.NewFollowUpServiceClient(conn),
		Identity: vw.NewIdentityServiceClient(conn), conn: conn}, nil
}

// Close ends the connection.
func (c *Client) Close() error { return c.conn.Close() }

// Conn is the connection itself, for health and reflection.
func (c *Client) Conn() *grpc.ClientConn { return c.conn }

// requestIDUnary gives every write that has none a request id, so that a
// repeated call is done once.
func requestIDUnary(ctx context.Context, method string, request, reply any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, options ...grpc.CallOption) error {
	if message, ok := request.(proto.Message); ok {
		request = withRequestID(message)
	}
	return invoke(ctx, method, request, reply, conn, options...)
}

// withRequestID returns the message, or a copy of it with a request id when it
// takes one and has none. The caller's message is not changed.
func withRequestID(message proto.Message) proto.Message {
	m := message.ProtoReflect()
	field := m.Descriptor().Fields().ByName("request_id")
	if field == nil || field.Kind() != protoreflect.StringKind || m.Get(field).String() != "" {
		return message
	}
	copied := proto.Clone(message)
	copied.ProtoReflect().Set(field, protoreflect.ValueOfString(uuid.NewString()))
	return copied
}
