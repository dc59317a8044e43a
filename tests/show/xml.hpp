// A strict little reader of XML: tells whether a document is well-formed.
#pragma once

#include <cctype>
#include <string>
#include <string_view>
#include <vector>

namespace pipebeat::test {

/// What is wrong with a document of elements, attributes and text (no comments, no declarations);
/// empty when it is well-formed: one root, tags that match, attributes quoted and not doubled, no
/// bare "&" or "<".
inline std::string xml_trouble(std::string_view xml) {
  std::vector<std::string> open;
  bool root_seen = false;
  const auto references = [](std::string_view text) {
    for (std::size_t at = text.find('&'); at != text.npos; at = text.find('&', at + 1)) {
      const std::size_t end = text.find(';', at);
      if (end == text.npos || end - at > 8 || end == at + 1) return false;
    }
    return text.find('<') == text.npos;
  };
  std::size_t at = 0;
  while (at < xml.size()) {
    const std::size_t tag = xml.find('<', at);
    const std::string_view text = xml.substr(at, tag == xml.npos ? xml.npos : tag - at);
    if (!references(text)) return "bare markup in text";
    if (open.empty() && text.find_first_not_of(" \n") != text.npos) return "text outside the root";
    if (tag == xml.npos) break;
    std::size_t i = tag + 1;
    const bool closing = i < xml.size() && xml[i] == '/';
    if (closing) ++i;
    const std::size_t name_begin = i;
    while (i < xml.size() && (std::isalnum(static_cast<unsigned char>(xml[i])) != 0)) ++i;
    const std::string name{xml.substr(name_begin, i - name_begin)};
    if (name.empty()) return "a tag without a name";
    if (closing) {
      if (open.empty() || open.back() != name) return "closes " + name + " that is not open";
      open.pop_back();
      if (i >= xml.size() || xml[i] != '>') return "a closing tag that goes on";
      at = i + 1;
      continue;
    }
    if (open.empty() && root_seen) return "a second root";
    root_seen = true;
    std::vector<std::string> names;
    while (i < xml.size() && xml[i] == ' ') {
      ++i;
      const std::size_t begin = i;
      while (i < xml.size() &&
             (std::isalnum(static_cast<unsigned char>(xml[i])) != 0 || xml[i] == '-'))
        ++i;
      const std::string attribute{xml.substr(begin, i - begin)};
      for (const std::string& other : names) {
        if (other == attribute) return "attribute " + attribute + " twice in " + name;
      }
      names.push_back(attribute);
      if (attribute.empty() || xml.substr(i, 2) != "=\"") return "an attribute without a value";
      const std::size_t end = xml.find('"', i + 2);
      if (end == xml.npos) return "an open quote";
      if (!references(xml.substr(i + 2, end - i - 2))) return "bare markup in " + attribute;
      i = end + 1;
    }
    if (xml.substr(i, 2) == "/>") {
      at = i + 2;
    } else if (i < xml.size() && xml[i] == '>') {
      open.push_back(name);
      at = i + 1;
    } else {
      return "a tag that does not end: " + name;
    }
  }
  if (!open.empty()) return "left open: " + open.back();
  return root_seen ? "" : "no root";
}

}  // namespace pipebeat::test
