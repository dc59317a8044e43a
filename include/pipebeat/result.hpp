// What a call returns that can fail: the value, or an error a person can act on.
#pragma once

#include <string>
#include <tl/expected.hpp>

namespace pipebeat {

/// The kinds of trouble a caller may want to tell apart.
enum class ErrorCode {
  bad_argument,    ///< an option or a value that cannot be meant
  not_found,       ///< a file, a device or a job that is not there
  no_permission,   ///< it is there and may not be read or written
  unreadable,      ///< there, but not what it says it is, or damaged
  unsupported,     ///< sound, but of a kind this build cannot take
  device,          ///< a sound device failed or was pulled
  write_failed,    ///< the disk refused (full, read-only, gone)
  damaged,         ///< a job or table file that does not parse
};

/// One trouble, in the order a person needs it.
struct Error {
  ErrorCode code;
  std::string what;  ///< what was wrong, and where ("van.wav: the file is empty")
  std::string hint;  ///< what to do about it ("record again, ..."); never empty
};

template <class T>
using Result = tl::expected<T, Error>;

/// Shorthand for the failing side of a Result.
[[nodiscard]] inline tl::unexpected<Error> fail(ErrorCode code, std::string what,
                                                std::string hint) {
  return tl::unexpected<Error>(Error{code, std::move(what), std::move(hint)});
}

}  // namespace pipebeat
