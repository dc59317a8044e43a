// A web server for one page and one machine.
#pragma once

#include <string>

#include "pipebeat/result.hpp"

namespace pipebeat::cli {

/// Serves `page` on http://127.0.0.1:PORT/ until SIGINT or SIGTERM, and says the address on
/// standard output. Only loopback is bound, and a request whose Host is not this server's own name
/// is refused, so that no web site can reach it through a name of its own.
/// `port` 0: one that is free. Errors: device, when the port is taken or may not be used.
Result<void> serve_page(const std::string& page, int port);

}  // namespace pipebeat::cli
