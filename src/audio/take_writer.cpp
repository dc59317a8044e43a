#include "audio/take_writer.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/stat.h>
#include <unistd.h>

#include <bit>
#include <cerrno>
#include <cmath>
#include <cstring>
#include <ctime>
#include <limits>

namespace pipebeat::audio {

namespace {

static_assert(std::endian::native == std::endian::little, "WAV is written as memory holds it");

constexpr std::uint64_t bytes_per_frame = sizeof(float);
constexpr std::uint32_t not_in_32_bits = std::numeric_limits<std::uint32_t>::max();

/// Little-endian chunks, put together in memory.
class Bytes {
 public:
  Bytes& id(std::string_view four) {
    data_.append(four);
    return *this;
  }
  template <class Integer>
  Bytes& number(Integer value) {
    char raw[sizeof value];
    std::memcpy(raw, &value, sizeof value);
    data_.append(raw, sizeof value);
    return *this;
  }
  Bytes& append(const Bytes& other) {
    data_.append(other.data_);
    return *this;
  }
  /// A chunk begins at an even byte.
  Bytes& pad() {
    if (data_.size() % 2 != 0) data_.push_back('\0');
    return *this;
  }
  [[nodiscard]] std::span<const char> all() const { return data_; }
  [[nodiscard]] std::string text() && { return std::move(data_); }
  [[nodiscard]] std::uint32_t size() const { return static_cast<std::uint32_t>(data_.size()); }

 private:
  std::string data_;
};

/// `cue ` and the labels that belong to it (RIFF: Multimedia Programming Interface 1.0, 1991).
Bytes cue_points(const std::vector<TakeMark>& marks) {
  Bytes cue;
  Bytes labels;
  labels.id("adtl");
  std::uint32_t count = 0;
  for (const TakeMark& mark : marks) {
    if (mark.frame >= not_in_32_bits) continue;  // a cue point has 32 bits: a day at 48 kHz
    ++count;
    const auto frame = static_cast<std::uint32_t>(mark.frame);
    cue.number(count).number(frame).id("data").number(std::uint32_t{0}).number(std::uint32_t{0});
    cue.number(frame);
    labels.id("labl").number(static_cast<std::uint32_t>(4 + mark.text.size() + 1)).number(count);
    labels.id(mark.text).number('\0').pad();
  }
  Bytes out;
  if (count == 0) return out;
  out.id("cue ").number(std::uint32_t{4 + cue.size()}).number(count).append(cue);
  out.id("LIST").number(labels.size()).append(labels);
  return out;
}

/// How many bytes arrived; errno says why not all.
std::size_t write_at(int fd, std::span<const char> bytes, std::uint64_t offset) {
  std::size_t done = 0;
  while (done < bytes.size()) {
    const ssize_t n = ::pwrite(fd, bytes.data() + done, bytes.size() - done,
                               static_cast<off_t>(offset + done));
    if (n < 0 && errno == EINTR) continue;
    if (n <= 0) break;
    done += static_cast<std::size_t>(n);
  }
  return done;
}

}  // namespace

std::string take_header(std::uint32_t rate, std::uint64_t frames, std::uint64_t bytes_after_sound) {
  const std::uint64_t data = frames * bytes_per_frame;
  const std::uint64_t riff = take_header_size - 8 + data + bytes_after_sound;
  const bool large = riff >= not_in_32_bits;
  const auto small = [&](std::uint64_t size) {
    return large ? not_in_32_bits : static_cast<std::uint32_t>(size);
  };
  Bytes out;
  out.id(large ? "RF64" : "RIFF").number(small(riff)).id("WAVE");
  out.id(large ? "ds64" : "JUNK").number(std::uint32_t{28});
  for (const std::uint64_t size : {riff, data, frames}) {
    out.number(large ? size : std::uint64_t{0});
  }
  out.number(std::uint32_t{0});  // no further table of sizes
  constexpr std::uint16_t ieee_float = 3;
  out.id("fmt ").number(std::uint32_t{18}).number(ieee_float).number(std::uint16_t{1});
  out.number(rate).number(static_cast<std::uint32_t>(rate * bytes_per_frame));
  out.number(static_cast<std::uint16_t>(bytes_per_frame)).number(std::uint16_t{32});
  out.number(std::uint16_t{0});  // no extension
  out.id("fact").number(std::uint32_t{4}).number(small(frames));
  out.id("data").number(small(data));
  return std::move(out).text();
}

tl::unexpected<Error> TakeWriter::trouble(int number) const {
  switch (number) {
    case ENOSPC:
    case EDQUOT:
      return fail(ErrorCode::write_failed, path_ + ": the disk is full; what was heard so far is kept",
                  "free some space, or give --save a name on another disk");
    case EFBIG:
      return fail(ErrorCode::write_failed,
                  path_ + ": a limit on file sizes is reached; what was heard so far is kept",
                  "raise the limit (ulimit -f unlimited), or give --save a name on another disk");
    default:
      return fail(ErrorCode::write_failed,
                  fmt::format("{}: writing failed ({})", path_, std::strerror(number)),
                  "check the disk or card, or give --save a name on another one");
  }
}

Result<TakeWriter> TakeWriter::create(const std::string& path, Hertz sample_rate) {
  Descriptor file{::open(path.c_str(), O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0666)};
  if (!file) {
    switch (errno) {
      case EEXIST:
        return fail(ErrorCode::bad_argument, path + ": there is such a file already",
                    "give another name; takes are never overwritten");
      case ENOENT:
      case ENOTDIR:
        return fail(ErrorCode::not_found, path + ": there is no such folder",
                    "make the folder first, or give --save another name");
      case EACCES:
      case EPERM:
      case EROFS:
        return fail(ErrorCode::no_permission, path + ": no permission to write there",
                    "give --save a name in a folder of your own");
      default:
        return fail(ErrorCode::write_failed,
                    fmt::format("{}: cannot be made ({})", path, std::strerror(errno)),
                    "give --save another name");
    }
  }
  TakeWriter writer{path, std::move(file),
                    static_cast<std::uint32_t>(std::lround(sample_rate.value()))};
  if (auto written = writer.write_header(0); !written) {
    ::unlink(path.c_str());  // no sound in it yet
    return tl::unexpected(written.error());
  }
  return writer;
}

Result<void> TakeWriter::write_header(std::uint64_t bytes_after_sound) {
  const std::string bytes = take_header(rate_, static_cast<std::uint64_t>(frames_), bytes_after_sound);
  if (write_at(file_.get(), bytes, 0) < bytes.size()) return trouble(errno);
  return {};
}

Result<void> TakeWriter::write(std::span<const float> samples) {
  if (broken_) return trouble(ENOSPC);
  const std::span<const char> bytes{reinterpret_cast<const char*>(samples.data()),
                                    samples.size_bytes()};
  const std::uint64_t end = take_header_size + static_cast<std::uint64_t>(frames_) * bytes_per_frame;
  const std::size_t written = write_at(file_.get(), bytes, end);
  const int number = errno;
  // Sound first, header second: the header never promises what is not there.
  frames_ += static_cast<std::int64_t>(written / bytes_per_frame);
  if (auto kept = write_header(0); !kept) {
    broken_ = true;
    return kept;
  }
  if (written == bytes.size()) return {};
  broken_ = true;
  const std::uint64_t whole = take_header_size + static_cast<std::uint64_t>(frames_) * bytes_per_frame;
  // Half a frame may have arrived; readers forgive it where it cannot be cut off.
  static_cast<void>(::ftruncate(file_.get(), static_cast<off_t>(whole)) == 0);
  return trouble(number);
}

Result<void> TakeWriter::mark(std::string text) {
  const double seconds = static_cast<double>(frames_) / rate_;
  const std::string line = fmt::format("{:.3f}\t{}\n", seconds, text);
  marks_.push_back({frames_, std::move(text)});
  const std::string name = path_ + ".marks";
  if (!marks_file_) {
    marks_file_ = Descriptor{
        ::open(name.c_str(), O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0666)};
  }
  if (!marks_file_ || ::write(marks_file_.get(), line.data(), line.size()) !=
                          static_cast<ssize_t>(line.size())) {
    return fail(ErrorCode::write_failed,
                fmt::format("{}: the mark could not be written ({})", name, std::strerror(errno)),
                "the take goes on; note the time by hand");
  }
  return {};
}

Result<void> TakeWriter::close() {
  const Bytes cues = cue_points(marks_);
  const std::uint64_t end = take_header_size + static_cast<std::uint64_t>(frames_) * bytes_per_frame;
  if (write_at(file_.get(), cues.all(), end) < cues.size()) {
    const int number = errno;
    static_cast<void>(::ftruncate(file_.get(), static_cast<off_t>(end)) == 0);
    return trouble(number);
  }
  if (auto written = write_header(cues.size()); !written) return written;
  if (::fsync(file_.get()) != 0 && errno != EINVAL) return trouble(errno);
  file_.reset();
  if (marks_file_) {
    marks_file_.reset();
    ::unlink((path_ + ".marks").c_str());
  }
  return {};
}

std::string dated_take_name(const std::string& folder) {
  const std::time_t now = std::time(nullptr);
  std::tm local{};
  ::localtime_r(&now, &local);
  char stamp[32];
  std::strftime(stamp, sizeof stamp, "take-%Y%m%d-%H%M%S", &local);
  // A folder for takes may not have been needed before; what stands above it must be there.
  if (!folder.empty()) ::mkdir(folder.c_str(), 0777);
  const std::string stem = folder.empty() ? stamp : folder + "/" + stamp;
  std::string name = stem + ".wav";
  struct stat there {};
  for (int i = 2; ::lstat(name.c_str(), &there) == 0; ++i) name = fmt::format("{}-{}.wav", stem, i);
  return name;
}

}  // namespace pipebeat::audio
