#include "cli/page_server.hpp"

#include <arpa/inet.h>
#include <fmt/format.h>
#include <netinet/in.h>
#include <poll.h>
#include <signal.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cctype>
#include <cerrno>
#include <chrono>
#include <cstdio>
#include <cstring>
#include <optional>
#include <string_view>

#include "audio/descriptor.hpp"

namespace pipebeat::cli {

namespace {

using audio::Descriptor;

volatile sig_atomic_t interrupted = 0;

constexpr std::size_t longest_request = std::size_t{16} * 1024;
constexpr int patience_s = 5;

bool send_all(int fd, std::string_view bytes) {
  while (!bytes.empty()) {
    const ssize_t sent = ::send(fd, bytes.data(), bytes.size(), MSG_NOSIGNAL);
    if (sent < 0 && errno == EINTR && interrupted == 0) continue;
    if (sent <= 0) return false;
    bytes.remove_prefix(static_cast<std::size_t>(sent));
  }
  return true;
}

void reply(int fd, std::string_view status, std::string_view type, std::string_view body,
           bool with_body = true) {
  const std::string head = fmt::format(
      "HTTP/1.1 {}\r\nContent-Type: {}\r\nContent-Length: {}\r\nCache-Control: no-store\r\n"
      "X-Content-Type-Options: nosniff\r\nReferrer-Policy: no-referrer\r\nConnection: "
      "close\r\n\r\n",
      status, type, body.size());
  if (send_all(fd, head) && with_body) send_all(fd, body);
}

/// The request's head, up to its empty line; empty when it is too long, too slow or broken off.
std::string request_head(int fd) {
  std::string head;
  std::array<char, 2048> part{};
  // One byte now and then does not hold the server for longer than silence does.
  const auto until = std::chrono::steady_clock::now() + std::chrono::seconds{patience_s};
  while (head.find("\r\n\r\n") == std::string::npos) {
    const ssize_t got = ::recv(fd, part.data(), part.size(), 0);
    if (got < 0 && errno == EINTR && interrupted == 0) continue;
    if (got <= 0 || head.size() > longest_request || std::chrono::steady_clock::now() > until) return {};
    head.append(part.data(), static_cast<std::size_t>(got));
  }
  return head;
}

bool same_letters(std::string_view a, std::string_view b) {
  return std::equal(a.begin(), a.end(), b.begin(), b.end(), [](unsigned char x, unsigned char y) {
    return std::tolower(x) == std::tolower(y);
  });
}

/// Value of the Host field; empty when there is none or more than one.
std::string_view host_of(std::string_view head) {
  std::optional<std::string_view> host;
  for (std::size_t at = head.find("\r\n"); at != head.npos; at = head.find("\r\n", at + 2)) {
    std::string_view line = head.substr(at + 2, head.find("\r\n", at + 2) - at - 2);
    if (!same_letters(line.substr(0, 5), "host:")) continue;
    if (host) return {};
    line.remove_prefix(5);
    while (line.starts_with(' ')) line.remove_prefix(1);
    while (line.ends_with(' ')) line.remove_suffix(1);
    host = line;
  }
  return host.value_or(std::string_view{});
}

void answer(int fd, const std::string& page, int port) {
  constexpr std::string_view plain = "text/plain; charset=utf-8";
  const std::string head = request_head(fd);
  if (head.empty()) return;
  const std::string_view host = host_of(head);
  if (!same_letters(host, fmt::format("127.0.0.1:{}", port)) &&
      !same_letters(host, fmt::format("localhost:{}", port))) {
    return reply(fd, "421 Misdirected Request", plain, "This server has another name.\n");
  }
  const std::string_view line = std::string_view{head}.substr(0, head.find("\r\n"));
  const bool get = line.starts_with("GET ");
  const bool just_head = line.starts_with("HEAD ");
  if (!get && !just_head) {
    return reply(fd, "405 Method Not Allowed", plain, "Only GET and HEAD.\n");
  }
  const std::string_view path = line.substr(line.find(' ') + 1);
  if (!path.starts_with("/ ") && !path.starts_with("/pipebeat.html ")) {
    return reply(fd, "404 Not Found", plain, "There is only one page here: /\n", get);
  }
  reply(fd, "200 OK", "text/html; charset=utf-8", page, get);
}

}  // namespace

Result<void> serve_page(const std::string& page, int port) {
  const auto trouble = [&](int number) {
    return fail(ErrorCode::device,
                fmt::format("port {} of this machine: {}", port, std::strerror(number)),
                "give another one with --port, or 0 for any");
  };
  const Descriptor listening{::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0)};
  if (!listening) return trouble(errno);
  const int yes = 1;
  ::setsockopt(listening.get(), SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes);
  sockaddr_in address{};
  address.sin_family = AF_INET;
  address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  address.sin_port = htons(static_cast<std::uint16_t>(port));
  socklen_t size = sizeof address;
  auto* const generic = reinterpret_cast<sockaddr*>(&address);
  if (::bind(listening.get(), generic, size) != 0 || ::listen(listening.get(), 16) != 0 ||
      ::getsockname(listening.get(), generic, &size) != 0) {
    return trouble(errno);
  }
  const int bound = ntohs(address.sin_port);

  struct sigaction action {};
  action.sa_handler = [](int) { interrupted = 1; };
  ::sigaction(SIGINT, &action, nullptr);
  ::sigaction(SIGTERM, &action, nullptr);
  fmt::print("The page is at http://127.0.0.1:{}/ (this machine only); Ctrl-C ends.\n", bound);
  std::fflush(stdout);

  while (interrupted == 0) {
    pollfd waiting{listening.get(), POLLIN, 0};
    // Wakes up now and then: a signal between the test above and the wait is not missed for long.
    if (::poll(&waiting, 1, 500) <= 0) continue;
    const Descriptor client{::accept4(listening.get(), nullptr, nullptr, SOCK_CLOEXEC)};
    if (!client) continue;
    const timeval patience{patience_s, 0};
    ::setsockopt(client.get(), SOL_SOCKET, SO_RCVTIMEO, &patience, sizeof patience);
    ::setsockopt(client.get(), SOL_SOCKET, SO_SNDTIMEO, &patience, sizeof patience);
    answer(client.get(), page, bound);
  }
  return {};
}

}  // namespace pipebeat::cli
